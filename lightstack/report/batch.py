"""The page of many shots: what was built, what failed and why, and what to look at; the same shots, the same bytes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import quote

from lightstack.records import BatchShot
from lightstack.report.markup import make_environment, make_policy, read_asset
from lightstack.report.phrases import say_count
from lightstack.report.words import worst_grade

__all__ = ["make_batch_page", "say_batch"]


@dataclass(frozen=True, slots=True)
class ShotView:
    """One row: the shot, the address of its report, its takes' worst grade, what to look at."""

    shot: BatchShot
    href: str
    grade: str
    lines: tuple[str, ...]


def make_batch_page(shots: Sequence[BatchShot]) -> bytes:
    """Make batch.html: one UTF-8 file without scripts; its only addresses are the shots' own reports beside it."""
    style, policy = make_policy()
    failed = [shot for shot in shots if shot.state != "built"]
    flashing = sum(shot.flashes for shot in shots)
    html = make_environment().from_string(read_asset("batch.html")).render(
        style=style,
        policy=policy,
        headline=say_batch(shots),
        summary=f"{say_count(flashing, 'shot')} to mind for flashing light" if flashing else "no shot flashes",
        failed=failed,
        shots=[view_shot(shot) for shot in shots],
    )  # fmt: skip
    return html.encode("utf-8", errors="replace")


def view_shot(shot: BatchShot) -> ShotView:
    """Return a shot's row."""
    grade = worst_grade(verdict.grade for verdict in shot.verdicts) if shot.verdicts else ""
    poor = [f"{one.take}: {one.grade}. {' '.join(one.sentences)}" for one in shot.verdicts if one.grade != "good"]
    said = [shot.line] if shot.line else []
    href = quote(shot.report.replace("\\", "/"), safe="/") if shot.report else ""
    if href and ":" in shot.report.split("/")[0]:
        href = f"./{href}"  # a folder's colon is no scheme's
    return ShotView(shot, href, grade, (*said, *poor, *shot.warnings))


def say_batch(shots: Sequence[BatchShot]) -> str:
    """Say how many shots were built, and how many were not."""
    built = sum(shot.state == "built" for shot in shots)
    left = len(shots) - built
    return f"{say_count(built, 'shot')} built" + (f", {left} not" if left else "")
