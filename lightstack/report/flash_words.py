"""What the check for flashes says in words."""

from __future__ import annotations

from lightstack.core.flash.rules import AREA_LIMIT, CHANGES_ALLOWED, find_rule
from lightstack.records import FlashReport, FlashSpan
from lightstack.report.phrases import NARROW_SPACE, say_count, say_share

__all__ = [
    "FLASH_CAUTION",
    "NOT_CHECKED_LINE",
    "say_contrast",
    "say_flash",
    "say_left_out",
    "say_mix_share",
    "say_part",
    "say_span",
    "say_speed",
    "say_standing",
]

FLASH_CAUTION = (
    "Flashing light can trigger seizures in photosensitive people. The check counts by two published rules; it is an "
    "aid, not a certified broadcast test, and no count protects everybody: warn whoever watches footage that flashes, "
    "and let nobody watch what fails."
)
NOT_CHECKED_LINE = "not checked for flashes"
RULES_NAMED = "WCAG 2.2, success criterion 2.3.1, and ITU-R BT.1702"


def say_standing(report: FlashReport | None) -> str:
    """Say in a few words how a check stands; None was not checked."""
    if report is None:
        return "not checked"
    return "fails" if report.fails else "no failure found"


def say_flash(report: FlashReport) -> str:
    """Say in one sentence what a check found."""
    frames = say_count(len(report.table.frames), "frame")
    if not report.fails:
        return (
            f"no failure found by these two rules ({RULES_NAMED}) in {frames}; an aid, not a certified broadcast test"
        )
    worst = max(report.spans, key=lambda span: span.changes)
    titles = {find_rule(span.rule).standard for span in report.spans}
    return (
        f"fails {' and '.join(sorted(titles))}: up to {say_count(worst.changes, 'opposing change')} within a second, "
        f"{CHANGES_ALLOWED} are allowed (three flashes); see the frames named, and do not play it to anybody"
    )


def say_span(span: FlashSpan, frame_word: str = "frame") -> str:
    """Say which frames break a rule and by how much."""
    rule = find_rule(span.rule)
    return (
        f"{rule.title} ({rule.standard}): {frame_word}s {span.first}\u2013{span.last}, up to {span.changes} changes in "
        f"a second ({CHANGES_ALLOWED} allowed), over {say_share(span.area)} of {rule.area_of} "
        f"({say_share(AREA_LIMIT)} allowed)"
    )


def say_mix_share(share: float | None, *, hero_passes: bool, wide: int) -> str:
    """Say the largest share of the mix that passes, found on pictures ``wide`` columns wide."""
    if share is not None:
        return (
            f"a mix of {round(100 * share)}{NARROW_SPACE}% of this one (every gain times {share:.2f}) passed when it "
            f"was checked again, on frames {wide} pixels wide; build it to check it in full"
        )
    if hero_passes:
        return "no share of this mix passes, however faint: slow it down, or take its peaks out"
    return "the hero fails without any light too: no mix mends that"


def say_contrast(share: float | None, *, wide: int) -> str:
    """Say the largest swing that passes for footage that cannot be mixed again."""
    if share is None:
        return "no share of its swing passes, however faint"
    return (
        f"with every place pulled towards its mean over the second around it, to {round(100 * share)}{NARROW_SPACE}% "
        f"of its swing in the screen's light, it passed when it was checked again, on frames {wide} pixels wide"
    )


def say_speed(speed: float | None, *, mixed: bool) -> str:
    """Say the highest speed that passes."""
    if speed is None:
        return "no slower speed down to a hundredth passes"
    what = "the same changes drawn out" if mixed else "the same frames shown slower,"
    times = f"{1 / speed:.2f}"
    return f"{what} to {times} times their length ({round(100 * speed)}{NARROW_SPACE}% speed) passed when checked again"


def say_part(count: int) -> str:
    """Say that only part of the failing frames was looked at for what would pass."""
    return f"what would pass was looked for on {say_count(count, 'frame')} of the first failures only; check again"


def say_left_out(wide: int) -> str:
    """Say that what would pass could not be told."""
    return (
        f"what would pass was not found: on the small frames that this is looked for on ({wide} pixels wide) the area "
        "is just within the limit; a little less mix or a little more time is wanted"
    )
