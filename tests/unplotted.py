"""Builds without drawn plots: what most tests of a job look at lies in its numbers and pictures."""

import io
from contextlib import contextmanager
from importlib import import_module
from pkgutil import iter_modules

import pytest
from PIL import Image

import lightstack.report

SVG = b'<svg xmlns="http://www.w3.org/2000/svg" width="8pt" height="8pt" viewBox="0 0 8 8"></svg>'


def blank_figure(draw, form, ground, inches):
    """Stands in for `looks.render_figure`: an empty figure of the right form."""
    if form == "svg":
        return SVG
    out = io.BytesIO()
    Image.new("RGB", (8, 8)).save(out, "png")
    return out.getvalue()


@contextmanager
def without_plots():
    """Leave plots blank: drawing a report's takes longer than making all that it tells of, in a room so small."""
    found = [import_module(f"lightstack.report.{one.name}") for one in iter_modules(lightstack.report.__path__)]
    with pytest.MonkeyPatch.context() as patch:
        for module in found:
            if hasattr(module, "render_figure"):
                patch.setattr(module, "render_figure", blank_figure)
        yield


@pytest.fixture(scope="module", autouse=True)
def plain_plots(request):
    """Every module builds without plots, but for those that say ``DRAWS = True``."""
    if getattr(request.module, "DRAWS", False):
        yield
        return
    with without_plots():
        yield
