"""The shoot sheet as one self-contained HTML page, made to be printed and written on."""

from __future__ import annotations

import base64
import hashlib
from importlib import resources

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from lightstack.report.plan_words import ShootPlan

__all__ = ["make_plan_page"]


def make_plan_page(plan: ShootPlan) -> bytes:
    """Make the sheet: UTF-8 HTML without scripts and without any outside address; the same plan, the same bytes."""
    style = _read_asset("plan.css")
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    policy = f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    template = environment.from_string(_read_asset("plan.html"))
    return template.render(plan=plan, style=Markup(style), policy=policy).encode()


def _read_asset(name: str) -> str:
    return resources.files(__package__).joinpath(name).read_text(encoding="utf-8")
