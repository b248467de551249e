"""What every page is made of: its style and policy, its template's rules, pictures and plots as data addresses."""

from __future__ import annotations

import base64
import hashlib
import io
from collections.abc import Callable
from dataclasses import dataclass
from importlib import resources

import numpy as np
from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup
from numpy.typing import NDArray
from PIL import Image

from lightstack.report.looks import repaint
from lightstack.report.phrases import say_count

_BLANKED = dict.fromkeys([*range(9), 11, 12, *range(14, 32), 127], "\ufffd")


@dataclass(frozen=True, slots=True)
class PlotView:
    """One plot in the shapes the page needs."""

    wide: str
    narrow: str
    paper: str


def make_policy() -> tuple[Markup, str]:
    """Return the style sheet and the page's own policy, which allows it by its hash and nothing else."""
    style = read_asset("page.css")
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    policy = f"default-src 'none'; img-src data:; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    return Markup(style), policy


def view_plot(draw: Callable[[str, bool], bytes]) -> PlotView:
    """Draw a plot for a wide screen and a phone; what is printed is the wide one on paper."""
    wide, narrow = draw("dark", False), draw("dark", True)
    addresses = (
        "data:image/svg+xml;base64," + base64.b64encode(svg).decode() for svg in (wide, narrow, repaint(wide))
    )
    return PlotView(*addresses)


def encode_picture(picture: NDArray[np.uint8], *, quality: int = 93) -> str:
    """Encode ``(h, w, 3)`` uint8 as a JPEG data address, full colour resolution, no metadata."""
    out = io.BytesIO()
    image = Image.fromarray(np.ascontiguousarray(picture))
    image.save(out, "JPEG", quality=quality, subsampling=0)
    return "data:image/jpeg;base64," + base64.b64encode(out.getvalue()).decode()


def read_asset(name: str) -> str:
    return resources.files(__package__).joinpath(name).read_text(encoding="utf-8")


def make_environment() -> Environment:
    """Everything printed is escaped; control characters, which HTML forbids, become visible marks."""
    environment = Environment(
        autoescape=True,
        undefined=StrictUndefined,
        loader=FunctionLoader(read_asset),
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_blank_controls,
    )
    environment.filters["count"] = say_count
    return environment


def _blank_controls(value: object) -> object:
    if isinstance(value, str) and not isinstance(value, Markup):
        return value.translate(_BLANKED)
    return value
