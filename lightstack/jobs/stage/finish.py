"""What is written over everything that was built, of a plate alone and of a whole shot: tables, report, manifest."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any

from lightstack.files.folder import OutFolder, write_whole
from lightstack.files.kept.identity import StageBook
from lightstack.files.tables import write_frames, write_key_frames
from lightstack.jobs.inspect.options import describe_findings
from lightstack.jobs.stage.manifest import hash_outputs, write_manifest
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
    RegelReport,
    ShotReport,
    TakeFindings,
    Verdict,
)
from lightstack.report.filelist import fold_numbered
from lightstack.report.flash_words import FLASH_CAUTION, say_flash, say_standing
from lightstack.report.page import make_page

MANIFEST = ("manifest.json", "inputs, settings, outputs, checksums")
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
