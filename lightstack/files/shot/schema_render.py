"""``[render]``: the finished frames and what is handed on for somebody else's composite."""

from __future__ import annotations

from typing import Literal

from lightstack.files.shot.schema_keys import Section, key

__all__ = ["ELEMENTS", "Render"]

ELEMENTS = {
    "relit": "the hero with the light, finished",
    "light": "the light on every frame: mixed, held out, grained; laid over hero_clean it gives the finished frame",
    "light_screen": "the light of lights with `lay = \"screen\"`; screened over hero_clean + light",
    "grain": "grain of the light, where a screened light cannot hold it",
    "holdout": "hold-out matte, 1 = light withheld",
    "hero_clean": "the hero with its patches, grained",
    "figure": "whoever stands in front of the set: colour times matte, and the matte",
    "background": "the set with nobody in it, grained",
    "background_lit": "the same with the light",
}


class Render(Section):
    """``[render]``"""

    exr: bool = key(True, "The finished frames as half-float EXR, `*relit*`.", kind="yes/no")
    movie: Literal["none", "auto", "prores", "dnxhr", "ffv1"] = key(
        "none",
        "The finished frames as a movie in the hero's own encoding, every frame by itself, with its timecode and "
        "sound; `auto` takes what keeps its sampling and bit depth.",
        kind="choice",
    )
    elements: tuple[
        Literal["light", "holdout", "hero_clean", "figure", "background", "background_lit"], ...
    ] = key(
        ("light", "holdout", "hero_clean"),
        "What is handed on frame by frame for a composite elsewhere, as EXR.",
        kind="list of names",
    )
