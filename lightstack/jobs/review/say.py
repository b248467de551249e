"""What the review page is told of a shot, as plain values."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lightstack.core.lamp.view import show_in_picture
from lightstack.core.page.plate import ProxyBlend, plan_blend, plan_regel
from lightstack.errors import LightstackError
from lightstack.files.shot.schema import Light, LightPath, Mix, Pulse, ShotSettings, Sweep
from lightstack.files.shot.schema_types import split_source_frame
from lightstack.jobs.light.groups import list_groups, place_frame
from lightstack.jobs.light.lamp_places import StillPlaces
from lightstack.jobs.light.plates import notes_of
from lightstack.jobs.light.travel import PlannedPath, plan_path
from lightstack.jobs.light.weighed import read_placed_weights
from lightstack.jobs.mix.mixes import LightMix, rate_of
from lightstack.jobs.review.open import ReviewShot, list_lights
from lightstack.jobs.sweep.accumulate import SMOOTHED_RULES
from lightstack.records import BuiltSweep, StillNotes, TakeFindings, Verdict

__all__ = ["describe_lights", "describe_mix", "describe_takes", "list_way", "plan_light", "plan_way", "to_json"]

LEAST_WEIGHT = 1e-5


def describe_takes(shot: ReviewShot) -> list[dict[str, Any]]:
    """Return what is thought of every take, and what its checks found."""
    hero = () if shot.seen is None else (shot.seen.verdict,)
    verdicts: Sequence[Verdict] = (*hero, *(built.verdict for built in shot.built))
    looked = (*(() if shot.seen is None else shot.seen.findings), *(f for built in shot.built for f in built.findings))
    findings: dict[str, TakeFindings] = {take.take: take for take in looked}
    return [
        {
            "take": verdict.take,
            "grade": verdict.grade,
            "sentences": list(verdict.sentences),
            "findings": [
                {"check": one.check, "level": one.grade, "sentence": one.says, "remedy": one.remedy,
                 "frames": [list(span) for span in one.frames]}
                for one in (findings[verdict.take].findings if verdict.take in findings else ())
            ],
        }
        for verdict in verdicts
    ]  # fmt: skip


def describe_sweeps(shot: ReviewShot) -> list[dict[str, Any]]:
    """Return every sweep's lamp energy over its frames, and which were chosen."""
    told = []
    for built in shot.built:
        table = built.report.table
        told.append(
            {
                "name": built.report.name,
                "frames": [int(table.source_frames[0]), int(table.source_frames[-1])],
                "source_frames": table.source_frames.tolist(),
                "energy": np.round(table.lamp_energy, 7).tolist(),
                "lamp_on": table.lamp_on.tolist(),
                "keys": notes_of(built).source_frames.tolist(),
            }
        )
    return told


def describe_lights(shot: ReviewShot) -> list[dict[str, Any]]:
    """Return every light as the shot file has it, with its stills."""
    return [describe_light(shot, light) for light in list_lights(shot.file_settings)]


def describe_light(shot: ReviewShot, light: Light) -> dict[str, Any]:
    """Return one light; its stills as they were built, their trims as the shot file has them now."""
    built = shot.find_built(light.source)
    sweep = shot.file_settings.find_sweep(light.source)
    mix = shot.mixes.get(light.name)
    first, last = shot.frames
    return {
        "name": light.name,
        "sweep": light.source,
        "in_file": any(one.name == light.name for one in shot.file_settings.light),
        "using": light.using,
        "group": light.group,
        "rule": sweep.combine,
        "white": sweep.screen_white,
        "lay": light.lay,
        "screen_white": light.screen_white,
        "gel": list(light.gel),
        "figure_light": light.figure_light,
        "gain": [1.0] * (last - first + 1) if mix is None else mix.curve.gains.tolist(),
        "mix": describe_mix(light.mix, mix),
        "path": None if light.path is None else describe_path(light),
        "weights": describe_weights(shot, light, built),
        "blend": to_json(blend_of(built, sweep)),
        "regel": describe_regel(shot, light, built),
        "stills_key": f"{light.source}{'' if light.using == 'plate' else ' filled'}",
        "stills": describe_stills(shot, built, sweep),
        "groups": groups_of(sweep, notes_of(built)),
    }


def describe_mix(mix: Mix, made: LightMix | None) -> dict[str, Any]:
    """Return a mix as the shot file has it, with what plays on it in words."""
    whole = mix.model_dump(mode="json")
    return {
        **{key: whole[key] for key in ("unit", "shape", "envelope", "table", "shutter", "clamp", "response")},
        "points": None if mix.points is None else [[p for p in point if p is not None] for point in mix.points],
        "pulse": whole["pulse"],
        "flicker": whole["flicker"],
        "modulators": [say_modulator(one) for one in mix.modulators],
        "base": None if made is None else made.base.tolist(),
    }


def say_modulator(one: Any) -> str:
    """Write what plays on a mix in a few words."""
    if isinstance(one, Pulse):
        when = f"at {len(one.at)} moments" if one.at is not None else f"{one.rate:g} Hz"
        return f"pulse, {when}, {one.combine}"
    if hasattr(one, "band"):
        return f"flicker, {one.band[0]:g} to {one.band[1]:g} Hz, {one.combine}"
    return f"follows {one.take or one.sound or 'a take'}, {one.combine}"


def describe_path(light: Light) -> dict[str, Any]:
    """Return a light's path."""
    assert light.path is not None
    points = None if light.path.points is None else [[p for p in point if p is not None] for point in light.path.points]
    return {"points": points, "track": light.path.track, "shape": light.path.shape}


def describe_weights(shot: ReviewShot, light: Light, built: BuiltSweep) -> dict[str, Any] | None:
    """Return how much of every still a light takes, frame by frame or, in one row, always; None for a plate."""
    first = shot.frames[0]
    known = shot.places.get(light.source)
    if light.path is not None and known is not None:  # as the shot file has it now, built or not
        return list_way(first, plan_way(shot, light, light.path, known))
    if light.using == "stills" and light.weights is not None:
        weights = read_placed_weights(shot.file_settings, light, notes_of(built))
        return {"first": first, "rows": list_rows(weights[None])}
    return None


def plan_way(shot: ReviewShot, light: Light, wish: LightPath, known: StillPlaces) -> PlannedPath:
    """Return a light's way, built or only tried. Raises SettingError for one that cannot be had; as `plan_path`."""
    notes, sweep = notes_of(shot.find_built(light.source)), shot.file_settings.find_sweep(light.source)
    return plan_path(shot.file_settings, light, wish, sweep, notes, known, shot.frames)


def list_way(first: int, way: PlannedPath) -> dict[str, Any]:
    """Return a way from a shot frame on: how much of every still, and the light's places in the lamp map."""
    return {"first": first, "rows": list_rows(way.weights), "places": np.round(way.path, 6).tolist()}


def list_rows(weights: NDArray[np.float64]) -> list[list[list[float]]]:
    """Return weights (F, K) as the stills that count on every frame, each with its weight."""
    return [
        [[int(k), round(float(row[k]), 6)] for k in np.flatnonzero(row > LEAST_WEIGHT)] for row in weights
    ]


def blend_of(built: BuiltSweep, sweep: Sweep) -> ProxyBlend:
    """Return the numbers by which a sweep's plate is blended."""
    recipe = notes_of(built).recipe
    return plan_blend(recipe, rule=sweep.combine, white=sweep.screen_white, floor_sigma=sweep.floor_sigma)


def plan_light(shot: ReviewShot, light: Light) -> ProxyBlend:
    """Return the numbers by which a light's plate is blended."""
    return blend_of(shot.find_built(light.source), shot.file_settings.find_sweep(light.source))


def describe_regel(shot: ReviewShot, light: Light, built: BuiltSweep) -> dict[str, Any] | None:
    """Return a light's new gel as numbers; None where it keeps its own."""
    made = shot.parts.regels.made.get(light.name)
    if made is None:
        return None
    return dict(to_json(plan_regel(made, built.primaries, shot.parts.regels.ceiling)))


def describe_stills(shot: ReviewShot, built: BuiltSweep, sweep: Sweep) -> list[dict[str, Any]]:
    """Return what is known of every still beside its light."""
    notes, places = notes_of(built), shot.places.get(built.report.name)
    groups = groups_of(sweep, notes)
    was = shot.settings.find_sweep(sweep.name)
    found = () if places is None else zip(places.places.source_frames.tolist(), places.places.in_shot, strict=True)
    in_shot = dict(found)
    shown = None if places is None else show_in_picture(places.stills, places.places.view)
    told = []
    for k, frame in enumerate(notes.source_frames.tolist()):
        name, gain, gel = find_trim(sweep, notes, frame)
        _, had_gain, had_gel = find_trim(was, notes, frame)
        place = in_shot.get(frame)
        told.append(
            {
                "index": k,
                "source_frame": frame,
                "share": float(notes.shares[k]),
                "gel_gain": notes.gains[k].astype(float).tolist(),
                "stretch": int(notes.stretch[k]),
                "groups": [group for group, members in groups.items() if k in members],
                "trim": {"name": name, "gain": gain, "gel": gel},
                "built_trim": {"gain": had_gain, "gel": had_gel},
                "can_raise": had_gain > 0 and min(had_gel) > 0,
                "in_shot": None if place is None or not np.isfinite(place).all() else np.round(place, 1).tolist(),
                "place": None if shown is None else np.round(shown[k], 4).tolist(),
            }
        )
    return told


def find_trim(sweep: Sweep, notes: StillNotes, frame: int) -> tuple[str, float, list[float]]:
    """Return how a still's trim is named in the shot file, its gain and gel; what is not trimmed has none."""
    for written, trim in sweep.trim.items():
        parsed = int(written) if written.isdigit() else written
        if split_source_frame(parsed)[0] is None and parsed == frame:
            return written, trim.gain, list(trim.gel)
        try:
            if place_frame(parsed, notes) == frame:
                return written, trim.gain, list(trim.gel)
        except LightstackError:
            continue
    return str(frame), 1.0, [1.0, 1.0, 1.0]


def groups_of(sweep: Sweep, notes: StillNotes) -> dict[str, list[int]]:
    """Return a sweep's groups by the places of their stills."""
    return {name: [int(k) for k in members] for name, members in list_groups(sweep, notes).items()}


def describe_shot(shot: ReviewShot) -> dict[str, Any]:
    """Return the shot's own facts: name, time, size, what stands in it."""
    settings: ShotSettings = shot.settings
    grain = settings.grain
    rate = None if shot.hero is None else rate_of(settings, shot.hero)
    first, last = shot.frames
    return {
        "name": settings.shot.name,
        "version": settings.shot.version,
        "rate": [24, 1] if rate is None else [rate.numerator, rate.denominator],
        "first": first,
        "last": last,
        "size": [shot.size[1], shot.size[0]],
        "proxy": [shot.proxy[1], shot.proxy[0]],
        "hero": shot.hero is not None,
        "flash": describe_flash(shot),
        "elements": [{"name": element.name} for element in settings.element],
        "warnings": list_warnings(shot),
        "grain": shot.parts.grain is not None,
        "left_out": list_left_out(shot),
        "grain_keys": None if grain is None else {"amount": grain.amount, "seed": grain.seed},
        "holdout": shot.parts.held is not None,
        "figure_lights": [] if shot.parts.figures.light is None else [light.name for light in settings.light],
        "poses": describe_poses(shot),
    }


def list_left_out(shot: ReviewShot) -> list[str]:
    """Return what a build lays or takes off and the page does not show, in plain words."""
    left = ["the camera's grain over new light"] if shot.parts.grain is not None else []
    sweeps = [shot.settings.find_sweep(built.report.name) for built in shot.built]
    single = [sweep for sweep in sweeps if sweep.combine in SMOOTHED_RULES]
    rough, torn = ([sweep.name for sweep in single if getattr(sweep, key)] for key in ("smooth", "carry"))
    left += [f"that single frames' noise is taken off ({', '.join(rough)})"] if rough else []
    return [*left, f"that light is carried on past masks ({', '.join(torn)})"] if torn else left


def describe_flash(shot: ReviewShot) -> dict[str, Any]:
    """Return what the last build's check for flashes found."""
    report = shot.flash
    if report is None:
        return {"state": "not checked", "spans": []}
    spans = [[span.first, span.last, span.rule] for span in report.spans]
    return {"state": "failed" if report.fails else "clear", "spans": spans}


def list_warnings(shot: ReviewShot) -> list[str]:
    """Return every warning of the shot, once."""
    hero = () if shot.hero is None else shot.hero.warnings
    mixes = [line for mix in shot.mixes.values() for line in mix.warnings]
    sweeps = [line for built in shot.built for line in built.warnings]
    return list(dict.fromkeys((*hero, *mixes, *sweeps, *shot.parts.warnings)))


def describe_poses(shot: ReviewShot) -> list[dict[str, Any]]:
    """Return where the hero moved: shot frames, and the pose in pixels of the pictures that are sent."""
    if shot.seen is None or shot.hero is None:
        return []
    offset = shot.settings.shot.first_frame - shot.hero.take.info.first_frame
    scale = np.diag([shot.proxy[1] / shot.size[1], shot.proxy[0] / shot.size[0], 1.0])
    return [
        {
            "first": stretch.first + offset,
            "last": stretch.last + offset,
            "matrix": (scale @ stretch.matrix @ np.linalg.inv(scale)).ravel().tolist(),
        }
        for stretch in shot.seen.registration.stretches
        if not stretch.identity
    ]


def to_json(value: Any) -> Any:
    """Return records, arrays and numbers as JSON knows them; a number that is not finite is null."""
    if hasattr(value, "__dataclass_fields__"):
        return {one.name: to_json(getattr(value, one.name)) for one in fields(value)}
    if isinstance(value, Mapping):
        return {str(name): to_json(item) for name, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [to_json(item) for item in value]
    if hasattr(value, "tolist"):
        return to_json(value.tolist())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
