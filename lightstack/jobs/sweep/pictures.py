"""What the report shows of a sweep: plate beside the naive stack, thumbnails, reach."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.display import display_srgb
from lightstack.core.half import keep_larger, to_float
from lightstack.jobs.sweep.sweep import SweepOutcome
from lightstack.jobs.takes.lamp_light import is_blocked
from lightstack.jobs.takes.look import SweepLook
from lightstack.records import SweepPictures

REPORT_WIDTH = 1280
BRIGHT_LEVEL = 0.35  # the bright still's 80th percentile is lifted to this linear level


def shrink_width(picture: NDArray, width: int) -> NDArray[np.float32]:
    """Shrink a picture (h, w[, C]) to at most ``width`` by area averaging."""
    picture = np.asarray(picture, np.float32)
    if picture.shape[1] <= width:
        return picture
    size = (width, max(1, round(picture.shape[0] * width / picture.shape[1])))
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.float32)


def stack_naively(look: SweepLook) -> NDArray[np.float32]:
    """Return the per-channel maximum of every frame minus ambient, at survey size.

    Nothing is lined up or masked and noise adds up: this is what stacking by hand gives.
    """
    best = np.array(look.proxies.rgb[0])
    for k in range(1, len(look.proxies)):
        keep_larger(best.reshape(-1).view(np.int16), np.asarray(look.proxies.rgb[k]).reshape(-1).view(np.int16))
    return best.astype(np.float32) - look.ambient


def brighten(picture: NDArray[np.float32], primaries: str) -> NDArray[np.uint8]:
    """Display-encode a picture lifted so that a dark room can be read on a phone."""
    level = float(np.quantile(picture.mean(axis=2), 0.8))
    stops = float(np.clip(np.log2(BRIGHT_LEVEL / max(level, 1e-4)), 0, 6))
    return display_srgb(picture, primaries, exposure_stops=stops)


def picture_sweep(outcome: SweepOutcome) -> SweepPictures:
    """Gather the report's pictures of one sweep."""
    look, primaries = outcome.look, outcome.primaries
    plate = shrink_width(outcome.plate.light, REPORT_WIDTH)
    lit = shrink_width(outcome.ambient.light + np.maximum(outcome.plate.light, 0), REPORT_WIDTH)
    reach = shrink_width(outcome.reach.astype(np.float32), REPORT_WIDTH) >= 0.5
    place = {int(number): k for k, number in enumerate(look.proxies.source_frames)}
    order = [place[key.source_frame] for key in outcome.keys]
    evened = None
    if any(key.level_stops for key in outcome.keys):
        evened, plate = plate, as_shot(look, order, plate.shape[:2])
    return SweepPictures(
        plate=display_srgb(plate, primaries),
        naive=display_srgb(fit_size(stack_naively(look), plate.shape[:2]), primaries),
        bright=brighten(lit, primaries),
        reach=reach,
        holes=outcome.holes,
        thumbnails=tuple(display_srgb(to_float(look.proxies.rgb[k]), primaries) for k in order),
        thumbnail_blocked=tuple(is_blocked(look.blocked[k]) for k in order),
        evened=None if evened is None else display_srgb(evened, primaries),
        full_size=(outcome.plate.light.shape[0], outcome.plate.light.shape[1]),
    )


def as_shot(look: SweepLook, order: Sequence[int], size: tuple[int, int]) -> NDArray[np.float32]:
    """Return the maximum of the key frames at small size, their levels as they were filmed."""
    best = np.zeros(look.light.shape[1:], np.float32)
    for k in order:
        open_here = ~is_blocked(look.blocked[k])
        light = np.nan_to_num(look.light[k])
        best = np.maximum(best, light * open_here[..., None])
    return fit_size(best, size)


def fit_size(picture: NDArray[np.float32], size: tuple[int, int]) -> NDArray[np.float32]:
    """Bring a picture to ``size`` (h, w)."""
    if picture.shape[:2] == size:
        return picture
    return np.asarray(cv2.resize(picture, size[::-1], interpolation=cv2.INTER_LINEAR), np.float32)
