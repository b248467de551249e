"""Results written, graded and described: what is the same for a plate alone and for a whole shot."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from lightstack.core.sweep.residue import measure_residue
from lightstack.files.folder import OutFolder, write_whole
from lightstack.files.kept.identity import StageBook
from lightstack.files.shot.schema import Sweep
from lightstack.files.tables import timecode_at, write_frames, write_key_frames
from lightstack.files.write.plates import write_png
from lightstack.jobs.inspect.build import check_built_sweep
from lightstack.jobs.inspect.options import describe_findings
from lightstack.jobs.stage.manifest import describe_take, hash_outputs, write_manifest
from lightstack.jobs.sweep.export import write_plate, write_stack, write_stills
from lightstack.jobs.sweep.pictures import picture_sweep
from lightstack.jobs.sweep.sweep import SweepOutcome
from lightstack.jobs.takes.options import BuildResult
from lightstack.records import (
    BuiltSweep,
    CleanReport,
    FlashReport,
    HoldoutReport,
    LaidFrame,
    LightReport,
    MixCurve,
    PatchReport,
    Progress,
    RegelReport,
    ShotReport,
    SweepReport,
    TakeFindings,
    Verdict,
)
from lightstack.report.filelist import fold_numbered
from lightstack.report.flash_words import FLASH_CAUTION, say_flash, say_standing
from lightstack.report.page import make_page
from lightstack.report.phrases import say_px, say_share, say_sigma
from lightstack.report.pictures import draw_reach
from lightstack.report.words import grade_sweep

FEW_LIT = 3  # frames
MANIFEST = ("manifest.json", "inputs, settings, outputs, checksums")
APART_STOPS = 0.1  # common practice: a tenth of a stop is where a match by eye begins to fail
CAUTIONS = (
    FLASH_CAUTION,
    "Gels scorch on hot lamps and cables trip people in the dark. Local codes and a licensed electrician come first.",
)


@dataclass(frozen=True, slots=True)
class Delivery:
    """Where results go and how they are named: ``{prefix}{element}{suffix}.exr``."""

    folder: OutFolder
    shot: str
    prefix: str
    suffix: str
    separate: bool
    book: StageBook

    def stem(self, element: str, sweep: str | None = None) -> str:
        """Return a file's name without its ending."""
        middle = element if sweep is None else f"{element}_{sweep}"
        return f"{self.prefix}{middle}{self.suffix}"


@dataclass(frozen=True, slots=True)
class ShotTold:
    """What is told of a build beside its sweeps. ``settings``: as the shot file has them. ``takes``: for the manifest.

    ``primaries``: of everything, where no sweep says them. ``files``: names and what they are. ``shows_frames``: frames
    of the shot were made.
    """

    settings: dict[str, Any]
    takes: dict[str, Any] = field(default_factory=dict)
    primaries: str | None = None
    warnings: Sequence[str] = ()
    verdicts: Sequence[Verdict] = ()
    findings: Sequence[TakeFindings] = ()
    mixes: Mapping[str, MixCurve] = field(default_factory=dict)
    laid: Sequence[LaidFrame] = ()
    patches: Sequence[PatchReport] = ()
    clean: CleanReport | None = None
    holdout: HoldoutReport | None = None
    lights: Sequence[LightReport] = ()
    regels: Sequence[RegelReport] = ()
    flash: FlashReport | None = None
    shows_frames: bool = False
    files: Sequence[tuple[str, str]] = ()

    @property
    def numbers(self) -> dict[str, dict[str, str] | str]:
        """Figures to print, by what they are of; sweeps have their own."""
        return {
            **({} if self.clean is None else {"clean plate": dict(self.clean.numbers)}),
            **({} if self.holdout is None else {"hold-out": dict(self.holdout.numbers)}),
            **{f"light {one.name}": dict(one.numbers) for one in self.regels},
            **{f"patch {patch.name}": dict(patch.numbers) for patch in self.patches},
            **({"flash check": say_standing(self.flash)} if self.shows_frames else {}),
        }


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


def finish(delivery: Delivery, built: Sequence[BuiltSweep], told: ShotTold) -> BuildResult:
    """Write tables, report and manifest over everything that was built."""
    folder = delivery.folder
    files = [*(f for b in built for f in b.files), *write_tables(folder, built), *told.files]
    listed = [*files, ("report.html", "the report")]
    page = gather_report(delivery, built, told, [*listed, MANIFEST])
    with ThreadPoolExecutor(1) as pool:  # checksums of what is there already, while the page is made
        hashing = pool.submit(hash_outputs, folder, [name for name, _ in files])
        write_whole(folder.file("report.html"), make_page(page))
        known = hashing.result()
    write_manifest(
        folder,
        takes={**told.takes, **{b.report.name: json.loads(b.take) for b in built}},
        settings=told.settings,
        space={"primaries": built[0].primaries if built else told.primaries, "transfer": "linear"},
        sweeps={b.report.name: describe_sweep(b) for b in built},
        findings=[describe_findings(take) for take in page.findings],
        holdout=None if told.holdout is None else describe_holdout(told.holdout),
        regels={one.name: dict(one.numbers) for one in told.regels},
        flash=describe_flash(told.flash) if told.shows_frames else None,
        outputs=listed,
        warnings=page.warnings,
        known=known,
    )
    return BuildResult(
        out=folder.path,
        files=tuple(name for name, _ in (*listed, MANIFEST)),
        warnings=page.warnings,
        verdicts=page.verdicts,
        numbers={**{b.report.name: dict(b.report.numbers) for b in built}, **told.numbers},
        flashes=told.flash is not None and told.flash.fails,
    )


def gather_report(
    delivery: Delivery, built: Sequence[BuiltSweep], told: ShotTold, files: Sequence[tuple[str, str]]
) -> ShotReport:
    """Return what the report shows."""
    return ShotReport(
        shot=delivery.shot,
        version=delivery.suffix.strip("_"),
        verdicts=(*told.verdicts, *(b.verdict for b in built)),
        warnings=tuple(dict.fromkeys([*told.warnings, *(w for b in built for w in b.warnings)])),
        sweeps=tuple(b.report for b in built),
        mixes=tuple(told.mixes.items()),
        laid=tuple(told.laid),
        settings=tuple(flatten_settings(told.settings)),
        files=fold_numbered(files),
        cautions=CAUTIONS,
        findings=list_once([*told.findings, *(f for b in built for f in b.findings)]),
        patches=tuple(told.patches),
        clean=told.clean,
        holdout=told.holdout,
        lights=tuple(told.lights),
        regels=tuple(told.regels),
        flash=told.flash,
        shows_frames=told.shows_frames,
    )


def list_once(findings: Sequence[TakeFindings]) -> tuple[TakeFindings, ...]:
    """Return takes in order, one that several sweeps lean on once."""
    return tuple({(take.take, take.role): take for take in findings}.values())


def write_tables(folder: OutFolder, built: Sequence[BuiltSweep]) -> list[tuple[str, str]]:
    """Write what every frame measured and which were chosen; return names and what they are."""
    write_frames(
        folder.file("frames.csv"),
        [(b.report.name, b.report.table, b.registration, b.report.keys, b.timecodes) for b in built],
    )
    write_key_frames(folder.file("key_frames.csv"), [key for b in built for key in b.report.keys])
    return [
        ("frames.csv", "what every sweep frame measured"),
        ("key_frames.csv", "the frames that were chosen"),
    ]


def describe_sweep(built: BuiltSweep) -> dict[str, Any]:
    """Return what the manifest says of a built sweep."""
    return {
        "key_frames": [key.source_frame for key in built.report.keys],
        "coverage": round(built.report.coverage, 6),
        "verdict": built.verdict.grade,
        "numbers": dict(built.report.numbers),
        "stretches": [
            {"first": s.first, "last": s.last, "resampled": not s.identity, "shift_px": round(s.shift_px, 4)}
            for s in built.registration.stretches
        ],
    }


def describe_holdout(report: HoldoutReport) -> dict[str, Any]:
    """Return what the manifest says of the hold-out."""
    return {"numbers": dict(report.numbers), "most_need_hands": list(report.hand_work)}


def describe_flash(report: FlashReport | None) -> dict[str, Any]:
    """Return what the manifest says of the flash check."""
    if report is None:
        return {"standing": say_standing(None)}
    table = report.table
    return {
        "standing": say_standing(report),
        "says": say_flash(report),
        "most_changes": {name: int(table.changes[:, k].max(initial=0)) for k, name in enumerate(table.rules)},
        "failing": [
            {"rule": s.rule, "frames": [s.first, s.last], "changes": s.changes, "area": round(s.area, 4)}
            for s in report.spans
        ],
        "would_pass": list(report.remedies),
        "shown": report.screen,
    }


def flatten_settings(settings: dict[str, Any], prefix: str = "") -> list[tuple[str, str]]:
    """Return nested settings as (dotted key, value) rows, values as in the shot file."""
    rows: list[tuple[str, str]] = []
    for key, value in settings.items():
        name = f"{prefix}{key}"
        if isinstance(value, dict):
            rows += flatten_settings(value, f"{name}.")
        elif value not in (None, "", [], ()):
            rows.append((name, json.dumps(value, ensure_ascii=False)))
    return rows
