"""What is decided at small size: the lamp's colour, key frames, their levels, how far the light reached."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.lamp.travel import spread_stills
from lightstack.core.sweep.blockers import GLINT
from lightstack.core.sweep.choose import choose_key_frames, light_values, sum_brightest, weigh_channels
from lightstack.core.sweep.even import even_gains, measure_level
from lightstack.core.sweep.glints import pick_glints
from lightstack.core.sweep.reach import find_reached, gather_levels
from lightstack.core.sweep.specks import find_specks
from lightstack.core.sweep.sums import dwell_weights
from lightstack.errors import SettingError, UnusableTake
from lightstack.files.shot.schema import Sweep
from lightstack.files.tables import timecode_at
from lightstack.jobs.takes.footage import FittedTake, resolve_frames, resolve_ranges
from lightstack.jobs.takes.lamp_light import Picked, is_blocked
from lightstack.jobs.takes.look import SweepLook
from lightstack.records import Choice, KeyFrame, LampPlaces, NoiseModel, TakeInfo

MOSTLY_CLIPPED = 0.9  # of a frame's pixels


@dataclass(frozen=True, slots=True)
class Scale:
    """How lamp light is weighed at small size: ``colour`` (3,) of the lamp, channel ``weights`` (3,), and
    the noise ``sigma`` (h', w') of one frame so weighed."""

    colour: NDArray[np.float64]
    weights: NDArray[np.float64]
    sigma: NDArray[np.float32]


def weigh_light(look: SweepLook) -> Scale:
    """Measure the lamp's colour and weigh the channels by what they tell of it."""
    noise = look.small_noise
    colour = measure_colour(look)
    weights = weigh_channels(colour, noise=noise)
    sigma = np.sqrt((noise.sigma(look.small_ambient).astype(np.float64) ** 2) @ weights**2)
    return Scale(colour, weights, sigma.astype(np.float32))


def measure_colour(look: SweepLook) -> NDArray[np.float64]:
    """Return the mean colour (3,) of the lamp light where each lit frame is brightest, largest = 1."""
    total = np.zeros(3)
    for k in np.flatnonzero(look.table.lamp_on):
        total += sum_brightest(look.light[int(k)], is_blocked(look.blocked[k]))
    return np.maximum(total, 0) / max(float(total.max()), 1e-12)


def choose_frames(look: SweepLook, settings: Sweep, sweep: FittedTake, scale: Scale) -> Choice:
    """Choose the key frames: those set by hand, else by coverage.

    Raises
    ------
    UnusableTake
        If no frame holds lamp light above the noise.
    SettingError
        If `keys` or `exclude` name frames that the take does not have.
    """
    place = {int(number): k for k, number in enumerate(look.proxies.source_frames)}
    asked = resolve_frames(settings.keys, sweep.take, what="keys")
    if unseen := [frame for frame in asked if frame not in place]:
        raise SettingError(f"{sweep.take.info.paths[0]}: keys names frame {unseen[0]}, which lies outside `use`")
    required = [place[frame] for frame in asked]
    excluded = find_excluded(look, settings, sweep)
    choice = choose_key_frames(
        measure_values(look, scale, range(len(look.proxies))),
        coverage=settings.coverage,
        max_keys=len(required) or settings.max_keys,
        required=required,
        excluded=excluded - set(required),
    )
    if not choice.order:
        lit = set(np.flatnonzero(look.table.lamp_on).tolist())
        raise UnusableTake(f"{sweep.take.info.paths[0]}: {explain_no_choice(look, lit, excluded)}")
    return choice


def find_excluded(look: SweepLook, settings: Sweep, sweep: FittedTake) -> set[int]:
    """Return the frames (indices) that may not be chosen: unlit ones, and those that were excluded by hand."""
    place = {int(number): k for k, number in enumerate(look.proxies.source_frames)}
    by_hand = {
        place[number]
        for first, last in resolve_ranges(settings.exclude, sweep.take, what="exclude")
        for number in range(first, last + 1)
        if number in place
    }
    return by_hand | {int(k) for k in np.flatnonzero(~look.table.lamp_on)}


def spread_choice(
    choice: Choice, look: SweepLook, settings: Sweep, sweep: FittedTake, places: LampPlaces, *, count: int
) -> Choice:
    """Add key frames until there are ``count``, spread over where the lamp was: a light that travels needs them.

    Notes: they add hardly anything to the plate, which has the brightest already.
    """
    frame = {int(number): k for k, number in enumerate(look.proxies.source_frames)}
    lit = [frame[int(number)] for number in places.source_frames]
    closed = find_excluded(look, settings, sweep)
    rows = [row for row, k in enumerate(lit) if k in choice.order or (k not in closed and look.table.weight[k] > 0)]
    known = [place for place, row in enumerate(rows) if lit[row] in choice.order]
    picked = spread_stills(places.map[rows], count, known)
    more = [lit[rows[place]] for place in picked if lit[rows[place]] not in choice.order]
    return Choice((*choice.order, *more), (*choice.gains, *(0.0 for _ in more)), choice.coverage)


def explain_no_choice(look: SweepLook, lit: set[int], excluded: set[int]) -> str:
    """Say why no frame (index) among the ``lit`` ones that are not ``excluded`` can be a key frame."""
    left = sorted(lit - excluded)
    if lit and not left:
        return f"exclude leaves none of its {len(lit)} frames with the lamp on; shorten it"
    if left and min(float(look.table.clipped[k].max()) for k in left) > MOSTLY_CLIPPED:
        return f"all {len(left)} frames with the lamp on are clipped nearly everywhere; film again with less exposure"
    return (
        "no frame holds lamp light above the noise; check that the lamp was on and that the right take was named"
    )


def measure_values(look: SweepLook, scale: Scale, frames: Sequence[int]) -> NDArray[np.float32]:
    """Return what each of ``frames`` (indices) is worth at each pixel of a small picture, (k, P)."""
    picked = Picked(look.light, np.asarray(frames))
    flags = look.blocked if len(frames) == len(look.proxies) else look.blocked[list(frames)]
    weights = look.table.weight[list(frames)]
    return light_values(
        picked,  # type: ignore[arg-type]
        ~is_blocked(flags),
        sigma=scale.sigma,
        weights=weights,
        luminance=scale.weights.tolist(),
    )


def share_dwell(look: SweepLook, scale: Scale, keys: Sequence[KeyFrame]) -> list[float]:
    """Return each still's share (in source-frame order) so that a pause of the lamp is no hot spot."""
    place = {int(number): k for k, number in enumerate(look.proxies.source_frames)}
    frames = [place[number] for number in sorted(key.source_frame for key in keys)]
    return [float(share) for share in dwell_weights(measure_values(look, scale, frames))]


def describe_keys(
    look: SweepLook, choice: Choice, settings: Sweep, info: TakeInfo, scale: Scale
) -> tuple[KeyFrame, ...]:
    """Return one row per key frame, in the order of choosing, with its evening gain in stops."""
    weights = scale.weights.astype(np.float32)
    lights = [look.light[int(k)] @ weights for k in choice.order]
    valid = [~is_blocked(look.blocked[k]) for k in choice.order]
    levels = np.array([measure_level(a, b, sigma=scale.sigma) for a, b in zip(lights, valid, strict=True)])
    gains = even_gains(levels, amount=settings.even)
    total = max(sum(choice.gains), 1e-30)
    table = look.table
    return tuple(
        KeyFrame(
            rank=rank + 1,
            take=info.name,
            source_frame=int(table.source_frames[k]),
            timecode=timecode_at(info.timecode, int(table.source_frames[k]) - info.first_frame, info.rate),
            gain=choice.gains[rank] / total,
            weight=float(table.weight[k]),
            clipped=float(table.clipped[k].max()),
            blocked=float(table.blocked[k]),
            level_stops=float(np.log2(gains[rank])),
        )
        for rank, k in enumerate(choice.order)
    )


def block_glints(look: SweepLook, choice: Choice, scale: Scale) -> dict[int, NDArray[np.bool_]]:
    """Return, by index, the glints (h', w') to leave out so that a glossy patch shows one frame's only."""
    order = list(choice.order)
    glints = (look.blocked[order] & GLINT) > 0
    light = np.nan_to_num(look.light.pick(order) @ scale.weights.astype(np.float32))
    return dict(zip(order, pick_glints(glints, light), strict=True))


def block_specks(look: SweepLook, order: Sequence[int], scale: Scale) -> dict[int, NDArray[np.bool_]]:
    """Return, by index, the specks (h', w') of lamp or carrier that masks missed at their rims; ``order``: stills that
    give light."""
    weights = scale.weights.astype(np.float32)

    def read(place: int) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
        k = order[place]
        return np.nan_to_num(look.light[k] @ weights), ~is_blocked(look.blocked[k])

    return {order[place]: specks for place, specks in find_specks(len(order), read, scale.sigma).items()}


def find_reach(look: SweepLook, noise: NoiseModel, size: tuple[int, int]) -> NDArray[np.bool_]:
    """Return where the light of any lit frame arrived, chosen or not, at full size (H, W).

    ``noise``: of one full-size frame, which sets the unit.
    """
    height, width = look.small_ambient.shape[:2]
    frames = ((look.light[k], ~is_blocked(look.blocked[k]) & lit) for k, lit in enumerate(look.table.lamp_on))
    level, valid = gather_levels(frames, look.small_ambient, noise)
    reach = find_reached(level, valid=valid)
    full = cv2.resize(
        reach.astype(np.float32), (width * look.factor, height * look.factor), interpolation=cv2.INTER_LINEAR
    )
    pad = ((0, max(0, size[0] - full.shape[0])), (0, max(0, size[1] - full.shape[1])))
    return np.pad(full, pad, mode="edge")[: size[0], : size[1]] >= 0.5
