"""The rules of a check for flashes: what counts as a change, over which area, how often.

References
----------
W3C, Web Content Accessibility Guidelines 2.2, success criterion 2.3.1, "general flash and red flash thresholds".
ITU-R BT.1702-3, Guidance for the reduction of photosensitive epileptic seizures caused by television.
"""

from __future__ import annotations

from dataclasses import dataclass

from lightstack.core.flash.kernels import LUMINANCE, RED, RED_EARLIER, SCREEN_LUMINANCE

__all__ = [
    "AREA_LIMIT",
    "CHANGES_ALLOWED",
    "RULES",
    "SCREEN_GAMMA",
    "SCREEN_PEAK",
    "WINDOW",
    "FlashRule",
    "find_rule",
    "window_cells",
]

SCREEN_PEAK = 200.0  # cd/m2 of code 1.0: the screen that BT.1702 is commonly applied with
SCREEN_GAMMA = 2.4  # ITU-R BT.1886 with a black of 0
CHANGES_ALLOWED = 6  # three flashes, each a pair of opposing changes, within one second
AREA_LIMIT = 0.25  # of the 10-degree field, or of the screen; only more than that fails
WINDOW = (341 / 1024, 256 / 768)  # WCAG: 341 x 256 of 1024 x 768 pixels stand for any field of 10 degrees


@dataclass(frozen=True, slots=True)
class FlashRule:
    """One rule: ``tracks`` are the kinds of change that it counts (indices of `core.flash.kernels`, the most of them
    at a place), ``local`` whether its area is a share of any 10-degree field, else of the whole screen."""

    name: str
    title: str
    standard: str
    tracks: tuple[int, ...]
    local: bool

    @property
    def area_of(self) -> str:
        """What the area is a share of, in words."""
        return "a 10-degree field" if self.local else "the screen"


RULES = (
    FlashRule("general", "general flash", "WCAG 2.2", (LUMINANCE,), True),
    FlashRule("red", "red flash", "WCAG 2.2", (RED,), True),
    FlashRule("red_earlier", "red flash, earlier definition", "WCAG 2.x", (RED_EARLIER,), True),
    FlashRule("screen", "flash", "BT.1702", (SCREEN_LUMINANCE,), False),
    FlashRule("screen_red", "red flash", "BT.1702", (RED, RED_EARLIER), False),
)


def find_rule(name: str) -> FlashRule:
    """Return the rule called ``name``. Raises KeyError."""
    return next((rule for rule in RULES if rule.name == name), None) or _unknown(name)


def _unknown(name: str) -> FlashRule:
    raise KeyError(name)


def window_cells(shape: tuple[int, int]) -> tuple[int, int]:
    """Return the height and width, in cells, of the window that stands for 10 degrees of a picture of ``shape``.

    Notes: the window is a third of the picture each way, as it is of 1024 x 768; a wide picture's is wide too.
    """
    return max(1, round(shape[0] * WINDOW[1])), max(1, round(shape[1] * WINDOW[0]))
