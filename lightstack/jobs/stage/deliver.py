"""One sweep's files written, its take judged, its section of the report made."""

from __future__ import annotations

import json
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from lightstack.core.sweep.residue import measure_residue
from lightstack.files.folder import write_whole
from lightstack.files.shot.schema import Sweep
from lightstack.files.tables import timecode_at
from lightstack.files.write.plates import write_png
from lightstack.jobs.inspect.build import check_built_sweep
from lightstack.jobs.stage.finish import Delivery, ShotTold, finish
from lightstack.jobs.stage.manifest import describe_take
from lightstack.jobs.sweep.export import write_plate, write_stack, write_stills
from lightstack.jobs.sweep.pictures import picture_sweep
from lightstack.jobs.sweep.seams import Carried
from lightstack.jobs.sweep.sweep import SweepOutcome
from lightstack.jobs.takes.options import BuildResult
from lightstack.records import BuiltSweep, Progress, SweepReport, Verdict
from lightstack.report.phrases import say_px, say_share, say_sigma
from lightstack.report.pictures import draw_reach
from lightstack.report.words import grade_sweep

__all__ = ["deliver_sweep", "deliver_sweeps", "residue_sigma", "warn"]

FEW_LIT = 3  # frames
APART_STOPS = 0.1  # common practice: a tenth of a stop is where a match by eye begins to fail


def deliver_sweep(
    delivery: Delivery, settings: Sweep, outcome: SweepOutcome, *, only_one: bool, progress: Progress
) -> BuiltSweep:
    """Write the files of one sweep and return what is kept of it."""
    name = None if only_one else settings.name
    folder = delivery.folder
    progress.say("writing plate and light stack", level=1)
    info = outcome.info
    with ThreadPoolExecutor(1) as pool:  # the large files are written while the pictures are drawn
        writing = pool.submit(write_sweep_light, delivery, outcome, name)
        describing = pool.submit(describe_take, info, delivery.book, folder)
        findings = check_built_sweep(outcome)
        report = report_sweep(settings, outcome)
        pictures = write_sweep_pictures(delivery, report, outcome, name)
        plate, files = writing.result()
        take = json.dumps(describing.result())
    numbers = outcome.look.table.source_frames.tolist()
    return BuiltSweep(
        report=report,
        registration=outcome.look.registration,
        verdict=judge(outcome, report),
        warnings=warn(outcome),
        files=(*files, *pictures),
        timecodes=tuple(timecode_at(info.timecode, n - info.first_frame, info.rate) for n in numbers),
        take=take,
        primaries=outcome.primaries,
        plate=plate,
        decoded=outcome.decoded,
        run_in=outcome.run_in,
        findings=findings,
        stills=outcome.stills,
    )


def write_sweep_light(delivery: Delivery, outcome: SweepOutcome, name: str | None) -> tuple[str, list[tuple[str, str]]]:
    """Write plate, light stack and, where asked for, the stills; return the plate's name and all names with what
    they are."""
    folder = delivery.folder
    plate_files = write_plate(folder, delivery.stem("plate", name), outcome.plate.light, primaries=outcome.primaries)
    files = [(plate_files[0], "relight plate, linear light"), (plate_files[1], "relight plate to look at")]
    stack_name = delivery.stem("light_stack", name) + ".exr"
    write_stack(
        folder.file(stack_name),
        outcome.stack,
        ambient=outcome.ambient.light,
        plate=outcome.plate,
        reach=outcome.reach,
    )
    files.append((stack_name, "light stack: every lamp still, ambient, reach, winner"))
    if delivery.separate:
        stem = delivery.stem("still", name)
        stills = write_stills(folder, stem, outcome.stack, outcome.keys, primaries=outcome.primaries)
        files += [(still, "lamp still") for still in stills]
    return plate_files[0], files


def write_sweep_pictures(
    delivery: Delivery, report: SweepReport, outcome: SweepOutcome, name: str | None
) -> list[tuple[str, str]]:
    """Write the reach picture and the plot of lamp energy; return names and what they are."""
    from lightstack.report.plots import plot_energy  # drawing takes long to load

    pictures = report.pictures
    reach_name, plot_name = delivery.stem("reach", name) + ".png", delivery.stem("energy", name) + ".png"
    size = outcome.plate.light.shape[:2]
    drawn = draw_reach(pictures.bright, pictures.reach, pictures.holes, full_size=(size[0], size[1]))
    write_png(delivery.folder.file(reach_name), drawn)
    write_whole(delivery.folder.file(plot_name), plot_energy(report.table, report.keys, form="png", ground="paper"))
    return [(reach_name, "reach picture: places left dark"), (plot_name, "lamp energy and key frames")]


def report_sweep(settings: Sweep, outcome: SweepOutcome) -> SweepReport:
    """Return one sweep's section of the report."""
    registration = outcome.look.registration
    shift = max((s.shift_px for s in registration.stretches), default=0.0)
    covered = 1 - float((outcome.plate.valid > 0).mean())
    numbers = (
        ("key frames", f"{len(outcome.keys)}"),
        ("coverage", say_share(outcome.choice.coverage)),
        ("reached", say_share(float(outcome.reach.mean()))),
        ("covered in every key frame", say_share(covered)),
        ("light carried on past masks", say_carried(outcome.plate.carried)),
        ("largest camera movement", say_px(shift)),
        ("left where nothing was lit", say_sigma(abs(residue_sigma(outcome)))),
        ("ambient", f"mean of {len(outcome.ambient.frames)} frames of {outcome.ambient.source}"),
        ("frames decoded", f"{outcome.decoded}, of these {outcome.run_in} only as run-in"),
        ("combined by", f"{settings.combine}, {settings.by}"),
    )
    return SweepReport(
        name=settings.name,
        table=outcome.look.table,
        keys=outcome.keys,
        coverage=outcome.choice.coverage,
        pictures=picture_sweep(outcome),
        numbers=numbers,
    )


def say_carried(carried: Carried) -> str:
    """Say how much of a plate was raised beside masks."""
    if not carried.share:
        return "none to be seen"
    return f"{say_share(carried.share)} of the picture, by {carried.most_stops:.1f} stops at most"


def residue_sigma(outcome: SweepOutcome) -> float:
    """Return the mean level left where nothing was lit, in noise sigma of one frame; 0 if all was lit."""
    dark = ~outcome.reach
    if not dark.any():
        return 0.0
    left = np.mean(measure_residue(outcome.plate.light, outcome.reach).mean)
    sigma = outcome.ambient.noise.sigma(outcome.ambient.light[dark]).mean()
    return float(left) / max(float(sigma), 1e-12)


def judge(outcome: SweepOutcome, report: SweepReport) -> Verdict:
    """Return the verdict on a sweep in plain words."""
    return grade_sweep(
        report.name,
        report.table,
        registration=outcome.look.registration,
        coverage=report.coverage,
        key_count=len(report.keys),
        reach_share=float(outcome.reach.mean()),
        holes=outcome.holes,
    )


def warn(outcome: SweepOutcome) -> tuple[str, ...]:
    """Return one line for everything about a sweep's footage that was assumed or looks doubtful."""
    info = outcome.info
    lines = list(outcome.notes)
    lit = int(np.sum(outcome.look.table.lamp_on))
    if lit < FEW_LIT:
        lines.append(f"{info.name}: the lamp is on in {lit} of its frames only; the plate holds what they lit, no more")
    if outcome.look.registration.left_out:
        count = len(outcome.look.registration.left_out)
        lines.append(f"{info.name}: {count} frames were left out because their position could not be trusted")
    apart = outcome.look.empty_stops
    if np.nanmax(np.abs(apart), initial=0.0) > APART_STOPS:
        known = [(channel, value) for channel, value in zip("RGB", apart, strict=True) if np.isfinite(value)]
        shown = ", ".join(f"{channel} {value:+.2f}" for channel, value in known)
        lines.append(
            f"{info.name}: its own dark frames differ from the empty take by {shown} stops; its own are used. "
            "If exposure or white differed, say so with `stops` and `white`; if the room's light changed, film again"
        )
    if any(np.isinf(stretch.standard_error_px) for stretch in outcome.look.registration.stretches):
        lines.append(
            f"{info.name}: could not be lined up with the hero's picture; it is taken to stand where it stood: "
            "check that both takes show the same framing"
        )
    return tuple(dict.fromkeys(lines))


def deliver_sweeps(
    delivery: Delivery, sweeps: Sequence[tuple[Sweep, SweepOutcome]], *, progress: Progress
) -> BuildResult:
    """Write everything of a build without a shot: plates, stacks, tables, report and manifest."""
    built = [
        deliver_sweep(delivery, settings, outcome, only_one=len(sweeps) == 1, progress=progress)
        for settings, outcome in sweeps
    ]
    settings_shown = {settings.name: settings.model_dump(mode="json") for settings, _ in sweeps}
    return finish(delivery, built, ShotTold(settings_shown))
