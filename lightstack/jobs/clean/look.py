"""Takes seen for a clean plate: surveyed, registered, and kept as a row of small registered moments."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.check.compare import compare_exposure
from lightstack.core.clean.choice import pick_moments
from lightstack.core.half import HALF_VALUES
from lightstack.core.noise import NoiseTally
from lightstack.core.warp import warp_picture
from lightstack.errors import SettingError, UnusableTake
from lightstack.files.folder import explain_os_error
from lightstack.files.shot.schema import TakeSettings
from lightstack.jobs.spread.pieces import Spread
from lightstack.jobs.takes.footage import FittedTake, resolve_ranges
from lightstack.jobs.takes.lamp_light import shrink_by, shrink_mean
from lightstack.jobs.takes.look import average_registered, register_proxies, survey_with_noise
from lightstack.jobs.takes.survey import UNKNOWN_NOISE
from lightstack.jobs.takes.unlit import code_step
from lightstack.records import FloatArray, NoiseModel, Origin, Progress, ProxyTake, Registration

__all__ = ["MOST_MOMENTS", "Material", "Moments", "keep_moments", "look_at_material", "say_apart", "small_size"]

MOST_MOMENTS = 180  # looked at in search of what rests; two minutes in steps of two thirds of a second
MEAN_FRAMES = 48
NOISE_PAIRS = 40
FAR_PAIRS = 12
APART_STOPS = 0.1  # between takes of one set; common practice: more is seen where they are joined
CODE_SIGMA = 0.8  # codes by which a codec's blocks differ from one sync frame to the next, over 3 x 3 pixels
QUARTILE_SIGMA = 1.1503  # of a normal distribution's size: three quarters lie within


@dataclass(frozen=True, slots=True)
class Material:
    """A take after its survey. ``usable``: indices of frames whose pose is known and that repeat no other;
    ``mean`` (h, w, 3): at survey size, registered."""

    fitted: FittedTake
    proxies: ProxyTake
    registration: Registration
    usable: NDArray[np.int64]
    mean: NDArray[np.float32]

    def as_origin(self) -> Origin:
        """Return this take as what others are registered to."""
        primaries = self.fitted.take.working or self.fitted.take.info.encoding.primaries
        frames = min(len(self.usable), MEAN_FRAMES)
        return Origin(self.proxies.name, self.mean, self.fitted.size, primaries, frames)

    def picture(self, k: int) -> NDArray[np.float32]:
        """Return surveyed frame ``k`` at small size (h', w', 3), registered, slightly blurred; NaN where unseen."""
        light = HALF_VALUES.take(np.ascontiguousarray(self.proxies.rgb[k]).view(np.uint16))
        stretch = self.registration.stretch_at(int(self.proxies.source_frames[k]))
        if not stretch.identity:
            light, inside = warp_picture(light, stretch.matrix, factor=self.proxies.factor, interpolation="linear")
            light[~inside] = np.nan
        return np.asarray(cv2.blur(shrink_mean(light, shrink_by(self.proxies)), (3, 3)), np.float32)


def say_apart(picture: FloatArray, other: FloatArray, noise: NoiseModel) -> str:
    """Say by how many stops a picture (h, w, 3) is brighter than another of the same set, "" where they agree.

    ``noise``: of one value of a single frame at their size.
    """
    apart = compare_exposure(picture, other, noise=noise)
    if np.nanmax(np.abs(apart), initial=0.0) <= APART_STOPS:
        return ""
    return ", ".join(f"{channel} {value:+.2f}" for channel, value in zip("RGB", apart, strict=True)) + " stops"


@dataclass(frozen=True, slots=True)
class Moments:
    """``pictures`` (m, h', w', 3) float16, memory-mapped; ``frames``: take and index in its survey of each;
    ``noise``: of one value."""

    pictures: NDArray[np.float16]
    frames: tuple[tuple[int, int], ...]
    noise: NoiseModel

    def __len__(self) -> int:
        return len(self.pictures)


def look_at_material(
    fitted: FittedTake,
    settings: TakeSettings,
    ranges: Sequence[tuple[int | str, int | str]],
    origin: Origin | None,
    folder: Path,
    *,
    spread: Spread | None = None,
    progress: Progress,
) -> Material:
    """Survey a take and register it against the origin (None: itself).

    ``ranges``: of source frames, the only ones that are usable; () = all. ``spread``: who surveys it elsewhere.
    """
    spans = resolve_ranges(ranges, fitted.take, what="frames")
    backwards = next((pair for pair in spans if pair[0] > pair[1]), None)
    if backwards is not None:
        a, b = backwards
        raise SettingError(f"{fitted.take.info.paths[0]}: frames {a}-{b} run backwards; write {b}-{a}")
    if spans:
        first, last = min(a for a, _ in spans), max(b for _, b in spans)
        settings = settings.model_copy(update={"use": (first, last)})
    proxies = survey_with_noise(fitted, settings, folder, assume=UNKNOWN_NOISE, spread=spread, progress=progress)
    with progress.step(f"register {proxies.name}", None):
        registration = register_proxies(
            proxies,
            None if origin is None else origin.picture,
            np.zeros(len(proxies), bool),
            model="auto",
            frames=1 if origin is None else origin.frames,
        )
    numbers = proxies.source_frames
    named = np.ones(len(numbers), bool)
    if spans:
        named = np.any([(numbers >= a) & (numbers <= b) for a, b in spans], axis=0)
    trusted = ~np.isin(numbers, registration.left_out)
    # frames named by hand are taken as they are; of those left to us none is taken twice
    usable = np.flatnonzero(named if spans else trusted & ~proxies.duplicate)
    if not len(usable):
        usable = np.flatnonzero(named)
    few = usable[pick_moments(usable.tolist(), most=MEAN_FRAMES)]
    return Material(fitted, proxies, registration, usable, average_registered(proxies, registration, few))


def small_size(proxies: ProxyTake) -> tuple[int, int]:
    """Return the size (h', w') of a take's moments."""
    by = shrink_by(proxies)
    return proxies.rgb.shape[1] // by, proxies.rgb.shape[2] // by


def keep_moments(material: Sequence[Material], folder: Path, *, most: int, progress: Progress) -> Moments:
    """Keep moments of every take, registered and small, in one file in the scratch folder.

    Moments are shared out by the takes' lengths, at least three each.
    """
    total = sum(len(one.usable) for one in material)
    frames: list[tuple[int, int]] = []
    for t, one in enumerate(material):
        share = max(3, round(most * len(one.usable) / total))
        frames += [(t, int(one.usable[i])) for i in pick_moments(one.usable.tolist(), most=share)]
    path = folder / "moments"
    path.unlink(missing_ok=True)
    shape = (len(frames), *small_size(material[0].proxies), 3)
    with explain_os_error(path), path.open("wb") as stream, progress.step("moments", len(frames)) as step:
        for t, k in frames:
            stream.write(material[t].picture(k).astype(np.float16).data)
            step.advance()
    pictures = np.memmap(path, np.float16, "r", shape=shape)
    step_light = max(code_step(one.fitted.take.info.encoding) for one in material)
    noise = measure_moments(pictures)
    return Moments(pictures, tuple(frames), NoiseModel(noise.a, noise.b + (CODE_SIGMA * step_light) ** 2, noise.scale))


def measure_moments(pictures: NDArray[np.float16]) -> NoiseModel:
    """Measure the noise of one value of moments from neighbouring ones; what moved between them is trimmed."""
    tally = NoiseTally(scale=1)
    count = len(pictures)
    for k in range(0, count - 1, max(1, count // NOISE_PAIRS)):
        tally.add(*(np.nan_to_num(pictures[i].astype(np.float32)) for i in (k, k + 1)))
    try:
        noise = tally.result()
    except UnusableTake:
        return UNKNOWN_NOISE
    return widen_noise(noise, pictures)


def widen_noise(noise: NoiseModel, pictures: NDArray[np.float16]) -> NoiseModel:
    """Raise a noise model to what moments far apart differ by.

    A codec repeats what it coded before, so neighbours differ by less than frames of different sync frames do; and the
    light drifts. Judged by the quartile of the differences, which whoever covers less than a quarter does not move.
    """
    count = len(pictures)
    ratios = []
    for k in np.unique(np.linspace(0, count - 1, min(count, FAR_PAIRS)).astype(int)):
        one, other = (np.asarray(pictures[i], np.float32) for i in (int(k), int(k + count // 2) % count))
        apart = np.abs(one - other) / (np.sqrt(2) * noise.sigma(np.maximum(0.5 * (one + other), 0)))
        seen = apart[~np.isnan(apart)]  # in both
        if seen.size:
            ratios.append(float(np.percentile(seen, 75)) / QUARTILE_SIGMA)
    widened = max(1.0, float(np.median(ratios))) ** 2 if ratios else 1.0
    return NoiseModel(noise.a * widened, noise.b * widened, noise.scale)
