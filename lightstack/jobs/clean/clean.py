"""A clean plate: the set without whoever walks or stands in front of it, from takes of one framing."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.clean.choice import choose_clean_frames, compare_framing, fill_holes, thin_masks
from lightstack.core.clean.longest_rest import RestPicture, find_longest_rest, mark_seen, read_moment
from lightstack.core.clean.median import METHODS, noise_share
from lightstack.errors import MismatchedInput, SettingError, UnusableTake
from lightstack.files.shot.schema import TakeSettings
from lightstack.jobs.clean.doubt import enlarge, find_doubts, keep_bodies, name_doubts
from lightstack.jobs.clean.full_pass import FullPass, reduce_full_size
from lightstack.jobs.clean.look import MOST_MOMENTS, Material, Moments, keep_moments, look_at_material, say_apart
from lightstack.jobs.takes.footage import FittedTake, open_fitted
from lightstack.jobs.takes.lamp_light import shrink_mean
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import Hole, Origin, Progress

__all__ = [
    "ALL_METHODS",
    "LEAST_FRAMES",
    "CleanOutcome",
    "CleanRequest",
    "CleanTake",
    "check_method",
    "cover_masks",
    "make_clean",
]

ALL_METHODS = (*METHODS, "longest_rest")
MOST_FRAMES = 1024
LEAST_FRAMES = {"median": 3, "mean": 2, "sigma_clip": 5, "longest_rest": 3}
HARM = {"median": np.pi / 2, "sigma_clip": np.pi / 2, "mean": 25.0, "longest_rest": 0.0}  # see `choose_clean_frames`
CHOICE_FACTOR = 4  # small pictures to the grid on which frames are chosen
SAME_FRAMING = 0.3  # correlation of texture: other places reach 0.1, alike rooms 0.4, one place in other light more
SURE_FRAMING = 0.6  # needed where registration itself found no match


@dataclass(frozen=True, slots=True)
class CleanTake:
    """One take to make a clean plate of: its section's settings, its files, its name."""

    settings: TakeSettings
    paths: tuple[Path, ...]
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CleanRequest:
    """What a clean plate is made of and how. ``frames``: ranges of source frames in each take, () = chosen."""

    takes: tuple[CleanTake, ...]
    method: str = "median"
    frames: tuple[tuple[int | str, int | str], ...] = ()
    most_frames: int = 31
    fill: bool = False
    origin: Origin | None = None
    working: str | None = None
    options: BuildOptions = field(default_factory=BuildOptions)


@dataclass(frozen=True, slots=True)
class CleanOutcome:
    """A clean plate and how far to trust it; pictures are full size.

    ``light`` (H, W, 3). ``seen`` (H, W) 0..1: in which share of the moments looked at a place shows what the plate
    shows. ``count`` (H, W): of how many frames a value is. ``sigma`` (H, W, 3): the noise left. ``holes`` (H, W):
    nothing clean is known there; ``painted`` (H, W): those of them that were painted over. ``places``: the holes,
    ``covered``: in which share of the frames used each of them does not show its longest rest; ``restless``: where
    somebody moves but never leaves, ``stays`` (h, w): the same as a picture, small; both lists count in pixels of the
    full picture. ``used``: take and source frame. ``values``: what was reduced, in words.
    """

    light: NDArray[np.float32]
    seen: NDArray[np.float32]
    count: NDArray[np.uint16]
    sigma: NDArray[np.float32]
    holes: NDArray[np.bool_]
    painted: NDArray[np.bool_]
    places: tuple[Hole, ...]
    covered: tuple[float, ...]
    restless: tuple[Hole, ...]
    stays: NDArray[np.bool_]
    used: tuple[tuple[str, int], ...]
    moments: int
    method: str
    values: str
    noise_share: float
    primaries: str
    warnings: tuple[str, ...]
    decoded: int

    @property
    def reduced_by(self) -> str:
        """What made one value of many, "median" or "mean": a clipped mean is a mean."""
        return reduced_by(self.method)


def reduced_by(method: str) -> str:
    """Return what a method makes one value of many by, "median" or "mean"."""
    return "median" if method in ("median", "longest_rest") else "mean"


def make_clean(request: CleanRequest, folder: Path, *, progress: Progress) -> CleanOutcome:
    """Make a clean plate; ``folder`` is its place for scratch files.

    Raises
    ------
    SettingError, UnusableTake, MismatchedInput
        For frames that are not there, fewer than the method needs, or takes that do not show the same framing.
    """
    check_request(request)
    with ExitStack() as opened:
        takes = open_takes(request, opened)
        material = look_at_takes(request, takes, folder, progress=progress)
        check_count(request, material)
        moments = keep_moments(material, folder, most=MOST_MOMENTS, progress=progress)
        with progress.step("find what rests", None):
            rest = find_longest_rest(moments.pictures, moments.noise)
        chosen = choose_frames(request, material, moments, rest)
        masks = cover_masks(request, material, chosen, moments, rest)
        full = reduce_full_size(
            material, chosen, masks, method=request.method, folder=folder, options=request.options, progress=progress
        )
        return assess(request, takes, material, moments, rest, chosen, full)


def check_request(request: CleanRequest) -> None:
    """Refuse what cannot be made. Raises SettingError."""
    check_method(request.method, request.most_frames)
    if not request.takes:
        raise SettingError("no take was named; give at least one movie or sequence")


def check_method(method: str, most_frames: int) -> None:
    """Refuse a method that is unknown, and fewer frames than it needs. Raises SettingError."""
    if method not in ALL_METHODS:
        raise SettingError(f"--method {method}: is unknown; use one of {', '.join(ALL_METHODS)}")
    least = LEAST_FRAMES[method]
    if not least <= most_frames <= MOST_FRAMES:
        needs = f"{method} needs at least {least} frames, {MOST_FRAMES} at most"
        raise SettingError(f"--most-frames {most_frames}: {needs}")


def open_takes(request: CleanRequest, opened: ExitStack) -> list[FittedTake]:
    """Open every take at the size and in the space of the origin, or of the first take."""
    takes: list[FittedTake] = []
    size = None if request.origin is None else request.origin.size
    working = request.working
    for take in request.takes:
        part = open_fitted(
            take.settings, take.paths, name=take.name, size=size, working=working, options=request.options
        )
        fitted = opened.enter_context(part)
        takes.append(fitted)
        size, working = size or fitted.size, working or fitted.take.info.encoding.primaries
    return takes


def look_at_takes(
    request: CleanRequest, takes: Sequence[FittedTake], folder: Path, *, progress: Progress
) -> list[Material]:
    """Survey and register every take, the later ones against the first where the shot has no origin."""
    origin = request.origin
    material: list[Material] = []
    for number, (take, fitted) in enumerate(zip(request.takes, takes, strict=True), start=1):
        own = folder / f"take_{number}"  # not by its name, which may be that of another scratch file
        own.mkdir(parents=True, exist_ok=True)
        look = look_at_material(
            fitted, take.settings, request.frames, origin, own, spread=request.options.spread, progress=progress
        )
        unmatched = any(np.isinf(stretch.standard_error_px) for stretch in look.registration.stretches)
        needed = SURE_FRAMING if unmatched else SAME_FRAMING
        if origin is not None and compare_framing(look.mean, origin.picture) < needed:
            raise MismatchedInput(
                f"{take.paths[0]}: does not show the framing of {origin.name}; leave it out, or film it again from the "
                "same place"
            )
        material.append(look)
        origin = origin or look.as_origin()
    return material


def check_count(request: CleanRequest, material: Sequence[Material]) -> None:
    """Refuse fewer frames than the method needs. Raises UnusableTake."""
    count, least = sum(len(one.usable) for one in material), LEAST_FRAMES[request.method]
    if count < least:
        path = request.takes[0].paths[0]
        raise UnusableTake(
            f"{path}: {count} usable frame{'s' if count != 1 else ''}, {request.method} needs at least {least}; "
            "name more frames or join another take"
        )


def choose_frames(
    request: CleanRequest, material: Sequence[Material], moments: Moments, rest: RestPicture
) -> list[tuple[int, int]]:
    """Choose frames as (take, index in its survey): those named, else spread out and seen often."""
    if request.frames:
        return [(t, int(k)) for t, one in enumerate(material) for k in one.usable]
    h, w = rest.light.shape[:2]
    seen = np.empty((len(moments), -(-h // CHOICE_FACTOR), -(-w // CHOICE_FACTOR)), bool)
    for k in range(len(moments)):
        mask = mark_seen(read_moment(moments.pictures, k), rest.light, moments.noise, rim=1)
        seen[k] = thin_masks(mask[None], factor=CHOICE_FACTOR)[0]
    chosen = choose_clean_frames(
        seen, most=request.most_frames, least=LEAST_FRAMES[request.method], harm=HARM[request.method]
    )
    return [moments.frames[k] for k in chosen]


def cover_masks(
    request: CleanRequest,
    material: Sequence[Material],
    chosen: Sequence[tuple[int, int]],
    moments: Moments,
    rest: RestPicture,
) -> NDArray[np.bool_] | None:
    """Return where each chosen frame does not show the longest rest, (n, h, w); None where the method needs no masks.

    A place that no chosen frame shows is masked where more than that place is covered: a speck that matches nothing
    takes the frames that show the set round it. What is left then stays as filmed, and is a hole.
    """
    if request.method != "longest_rest":
        return None
    masks = np.stack([~mark_seen(material[t].picture(k), rest.light, moments.noise) for t, k in chosen])
    lost = masks.all(axis=0)
    if lost.any():
        for mask in masks:
            mask[lost] = keep_bodies(mask)[lost]
    return np.asarray(masks & ~masks.all(axis=0))


def assess(
    request: CleanRequest,
    takes: Sequence[FittedTake],
    material: Sequence[Material],
    moments: Moments,
    rest: RestPicture,
    chosen: Sequence[tuple[int, int]],
    full: FullPass,
) -> CleanOutcome:
    """Say of a reduced picture how often it was seen, what noise is left, and where nothing clean is known."""
    height, width = takes[0].size
    small = shrink_result(full.light, rest.light.shape[:2])
    seen = share_seen(moments, small)
    doubts = find_doubts(request.method, small, rest, moments, material, chosen)
    holes = (full.count == 0) | (enlarge(doubts.doubtful.astype(np.float32), (height, width)) > 0.5)
    places, covered, restless = name_doubts(holes, doubts)
    light, count = np.nan_to_num(full.light), np.where(holes, 0, full.count).astype(np.uint16)
    wanted = request.fill and bool(holes.any())
    light, painted = fill_holes(light, holes) if wanted else (light, np.zeros(holes.shape, bool))
    share = noise_share(count, method=reduced_by(request.method))
    sigma = full.noise.sigma(light) * np.nan_to_num(share, nan=1.0)[..., None]
    return CleanOutcome(
        light=light,
        seen=np.where(full.count == 0, 0, enlarge(seen, (height, width))).astype(np.float32),
        count=count,
        sigma=sigma.astype(np.float32),
        holes=holes,
        painted=painted,
        places=places,
        covered=covered,
        restless=restless,
        stays=doubts.stays,
        used=tuple((request.takes[t].name, int(material[t].proxies.source_frames[k])) for t, k in chosen),
        moments=len(moments),
        method=request.method,
        values=full.values,
        noise_share=float(np.nanmedian(share)) if (count > 0).any() else 1.0,
        primaries=request.working or takes[0].take.info.encoding.primaries,
        warnings=tuple(dict.fromkeys([w for fitted in takes for w in fitted.warnings] + compare_takes(material))),
        decoded=sum(fitted.take.decoded_count for fitted in takes),
    )


def shrink_result(light: NDArray[np.float32], size: tuple[int, int]) -> NDArray[np.float32]:
    """Bring a full-size picture to the size and softness of the moments."""
    factor = light.shape[1] // size[1]
    small = shrink_mean(light, factor)[: size[0], : size[1]]
    return np.asarray(cv2.blur(small, (3, 3)), np.float32)


def share_seen(moments: Moments, picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return in which share of the moments each place shows what a picture shows, (h, w)."""
    total = np.zeros(picture.shape[:2], np.float32)
    for k in range(len(moments)):
        total += mark_seen(read_moment(moments.pictures, k), picture, moments.noise, rim=0)
    return np.asarray(total / len(moments), np.float32)


def compare_takes(material: Sequence[Material]) -> list[str]:
    """Return a line for every take whose exposure or white differs from the first one's."""
    lines, first = [], material[0]
    for one in material[1:]:
        shown = say_apart(one.mean, first.mean, first.proxies.noise_proxy)
        if shown:
            lines.append(
                f"{one.proxies.name}: differs from {first.proxies.name} by {shown}; joined takes should agree: film "
                "them with exposure and white locked"
            )
    return lines
