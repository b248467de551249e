"""The report page: one self-contained HTML file made for looking.

Nothing is fetched and nothing runs: pictures and plots are data addresses, the style sheet is allowed by
its hash, scripts are forbidden by the page's own policy. The same report gives the same bytes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from lightstack.records import KeyFrame, LaidFrame, MixCurve, PatchReport, ShotReport, SweepReport
from lightstack.report.clean import view_clean
from lightstack.report.flash import view_flash
from lightstack.report.holdout import view_holdout
from lightstack.report.lights import view_light
from lightstack.report.markup import (
    PlotView,
    encode_picture,
    make_environment,
    make_policy,
    read_asset,
    view_plot,
)
from lightstack.report.phrases import say_count, say_list, say_number, say_share, say_stops
from lightstack.report.pictures import draw_reach, outline_mask, say_mix, shrink_picture
from lightstack.report.regel import view_regel
from lightstack.report.words import GRADES, worst_grade

LARGE = 1920  # longest side of the plates, pixels
MIDDLE = 960  # of before and after
SMALL = 480  # of key-frame thumbnails
HEADLINES = {
    "good": "Every take is good.",
    "usable": "Usable; read the notes on",
    "reshoot": "Better shot again:",
}


def make_page(report: ShotReport) -> bytes:
    """Make report.html: one UTF-8 file without scripts and without any outside address.

    Notes
    -----
    Pictures are shrunk to at most 1920 (plates), 960 (before and after) and 480 pixels (key frames); the
    full-size ones lie beside the page as files. JPEG is used at high quality with full colour resolution.
    """
    from lightstack.report.takes import view_take  # it draws, which takes long to load

    style, policy = make_policy()
    grade = worst_grade(verdict.grade for verdict in report.verdicts)
    html = make_environment().from_string(read_asset("page.html")).render(
        report=report,
        style=style,
        policy=policy,
        grade=grade,
        headline=_say_headline(report, grade),
        known_grades=GRADES,
        summary=_summarise(report),
        sweeps=[_view_sweep(sweep) for sweep in report.sweeps],
        mixes=[_view_mix(name, mix, report.laid) for name, mix in report.mixes],
        laid=[_view_laid(frame) for frame in report.laid],
        patches=[_view_patch(patch) for patch in report.patches],
        clean=None if report.clean is None else view_clean(report.clean),
        holdout=None if report.holdout is None else view_holdout(report.holdout),
        flash=None if report.flash is None else view_flash(report.flash),
        lights=[view_light(one) for one in report.lights],
        regels=[view_regel(one) for one in report.regels],
        takes=[view_take(take) for take in report.findings],
        opened=False,
    )  # fmt: skip
    return html.encode("utf-8", errors="replace")


# --- views: plain values that the template prints ---------------------------------------------------


@dataclass(frozen=True, slots=True)
class KeyView:
    """One key frame's picture and numbers, in words."""

    key: KeyFrame
    picture: str | None
    gain: str
    weight: str
    clipped: str
    blocked: str
    level: str


@dataclass(frozen=True, slots=True)
class SweepView:
    """One sweep's section."""

    sweep: SweepReport
    plate: str
    naive: str
    evened: str | None
    reach: str
    reached: str
    holes: tuple[tuple[int, str, str], ...]
    energy: PlotView
    frames: PlotView
    keys: tuple[KeyView, ...]
    coverage: str


@dataclass(frozen=True, slots=True)
class PatchView:
    """One patch's part of the section."""

    name: str
    numbers: tuple[tuple[str, str], ...]
    laid: tuple[LaidView, ...]


@dataclass(frozen=True, slots=True)
class MixView:
    """A light's mix: its name, plot and facts."""

    name: str
    plot: PlotView
    facts: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class LaidView:
    """Before and after of one hero frame."""

    number: int
    mix: str
    before: str
    after: str


def _view_sweep(sweep: SweepReport) -> SweepView:
    from lightstack.report import plots  # drawing takes long to load

    pictures = sweep.pictures
    full = pictures.full_size or pictures.bright.shape[:2]
    bright = shrink_picture(pictures.bright, LARGE)
    reach = draw_reach(bright, pictures.reach, pictures.holes, full_size=full)
    return SweepView(
        sweep=sweep,
        plate=encode_picture(shrink_picture(pictures.plate, LARGE)),
        naive=encode_picture(shrink_picture(pictures.naive, LARGE)),
        evened=None if pictures.evened is None else encode_picture(shrink_picture(pictures.evened, LARGE)),
        reach=encode_picture(reach),
        reached=say_share(float(np.mean(pictures.reach)) if pictures.reach.size else math.nan),
        holes=tuple((h.number, h.where, say_share(h.area_share)) for h in pictures.holes),
        energy=view_plot(lambda g, n: plots.plot_energy(sweep.table, sweep.keys, ground=g, narrow=n)),
        frames=view_plot(lambda g, n: plots.plot_frames(sweep.table, sweep.keys, ground=g, narrow=n)),
        keys=tuple(_view_key(sweep, index) for index in range(len(sweep.keys))),
        coverage=say_share(sweep.coverage),
    )


def _view_key(sweep: SweepReport, index: int) -> KeyView:
    key, pictures = sweep.keys[index], sweep.pictures
    picture = None
    if index < len(pictures.thumbnails):
        thumbnail = shrink_picture(np.asarray(pictures.thumbnails[index]), SMALL)
        if index < len(pictures.thumbnail_blocked):
            thumbnail = outline_mask(thumbnail, np.asarray(pictures.thumbnail_blocked[index]))
        picture = encode_picture(thumbnail, quality=88)
    return KeyView(
        key=key,
        picture=picture,
        gain=say_share(key.gain),
        weight=say_number(key.weight),
        clipped=say_share(key.clipped),
        blocked=say_share(key.blocked),
        level=say_stops(key.level_stops),
    )


def _view_mix(name: str, mix: MixCurve, laid: Sequence[LaidFrame]) -> MixView:
    from lightstack.report.mix_plot import plot_mix  # drawing takes long to load

    marks = [frame.shot_frame for frame in laid]
    gains = np.asarray(mix.gains, float)
    last = mix.first_frame + len(gains) - 1
    facts = [("shot frames", f"{mix.first_frame}\u2013{last} ({say_count(len(gains), 'frame')})")]
    lit = np.flatnonzero(gains > 0)
    if lit.size:
        peak = int(np.argmax(gains))
        facts += [
            ("light on", f"{mix.first_frame + lit[0]}\u2013{mix.first_frame + lit[-1]}"),
            ("strongest", f"frame {mix.first_frame + peak}, gain {say_number(gains[peak], 3)}, "
                          f"{say_stops(math.log2(gains[peak]))}"),
        ]  # fmt: skip
    else:
        facts.append(("light on", "never"))
    return MixView(name, view_plot(lambda g, n: plot_mix(mix, marks, ground=g, narrow=n)), tuple(facts))


def _view_laid(frame: LaidFrame) -> LaidView:
    before, after = (encode_picture(shrink_picture(p, MIDDLE)) for p in (frame.before, frame.after))
    return LaidView(frame.shot_frame, say_mix(frame.gain), before, after)


def _view_patch(patch: PatchReport) -> PatchView:
    """A patch's pictures; in place of the mix stands how much of it is laid."""
    laid = tuple(replace(_view_laid(frame), mix=f"{say_share(frame.gain)} laid") for frame in patch.laid)
    return PatchView(patch.name, patch.numbers, laid)


def _say_headline(report: ShotReport, grade: str) -> str:
    """Say the worst grade and whose it is."""
    if grade == "good":
        return HEADLINES[grade]
    return f"{HEADLINES[grade]} {say_list([v.take for v in report.verdicts if v.grade == grade])}."


def _summarise(report: ShotReport) -> str:
    """One line under the title."""
    keys = sum(len(sweep.keys) for sweep in report.sweeps)
    parts = [say_count(len(report.sweeps), "sweep"), say_count(keys, "key frame")]
    if report.laid:
        parts.append(say_count(len(report.laid), "frame") + " shown before and after")
    parts.append(say_count(len(report.warnings), "warning"))
    return " \u00b7 ".join(parts)
