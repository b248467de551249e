"""What an inspection draws of a take: panels over its frames, a bright still, a rough plate."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.sweep.reach import find_reached
from lightstack.core.sweep.survey import LUMINANCE
from lightstack.jobs.sweep.pictures import brighten, shrink_width
from lightstack.jobs.takes.lamp_light import is_blocked
from lightstack.jobs.takes.look import SweepLook
from lightstack.records import FrameTable, NoiseModel, Panel, PanelLine

STILL_WIDTH = 1280
CHANNELS = ("R", "G", "B")


def split_channels(values: NDArray, scale: float = 1.0) -> tuple[PanelLine, ...]:
    """Return (n, 3) numbers as one line for each channel."""
    return tuple(PanelLine(c, scale * np.asarray(values, np.float64)[:, i], c) for i, c in enumerate(CHANNELS))


def one_line(values: NDArray, scale: float = 1.0, label: str = "") -> PanelLine:
    """Return (n,) numbers as a line."""
    return PanelLine(label, scale * np.asarray(values, np.float64))


def panels_of_sweep(table: FrameTable) -> tuple[Panel, ...]:
    """Return what is plotted of a sweep."""
    return (
        Panel("lamp light, mean of the picture (% of reference white)", (one_line(table.lamp_energy, 100),)),
        Panel("camera against where it stood longest (px)", (one_line(table.shift_px),)),
        Panel("exposure where the lamp does not reach (stops)", split_channels(table.drift_stops)),
        Panel("clipped (% of pixels)", split_channels(table.clipped, 100)),
        Panel("covered and veiled (%)", (one_line(table.blocked, 100, "covered"), one_line(table.flare, 100, "flare"))),
        Panel("light smear while the shutter is open, 180° (px)", (one_line(table.smear_px),)),
    )


def panels_of_steady(table: FrameTable, sharpness: NDArray | None = None) -> tuple[Panel, ...]:
    """Return what is plotted of a take without a carried lamp."""
    sharp = table.sharpness if sharpness is None else sharpness
    middle = float(np.median(sharp)) or 1.0
    return (
        Panel("camera against where it stood longest (px)", (one_line(table.shift_px),)),
        Panel("exposure against the whole take (stops)", split_channels(table.drift_stops)),
        Panel("edge sharpness (1 = its middle)", (one_line(sharp, 1 / middle),)),
        Panel("clipped (% of pixels)", split_channels(table.clipped, 100)),
        Panel("change from the frame before (sigma)", (one_line(table.change_sigma),)),
    )


def draw_still(picture: NDArray[np.float32], primaries: str) -> NDArray[np.uint8]:
    """Display-encode a linear picture, lifted so that a dark room can be read."""
    return brighten(shrink_width(np.nan_to_num(picture), STILL_WIDTH), primaries)


def stack_roughly(look: SweepLook) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Return the brightest open lamp light of any lit frame (h', w', 3) at small size, and where none was open.

    Notes: a frame wins a pixel by its light averaged over 3 x 3 pixels, so that noise decides less; the value is the
    frame's own.
    """
    size = look.small_ambient.shape[:2]
    best = np.full(size, -np.inf, np.float32)
    plate = np.zeros((*size, 3), np.float32)
    weights = np.array(LUMINANCE, np.float32)
    for k in np.flatnonzero(look.table.lamp_on):
        light = look.light[int(k)]
        open_here = ~is_blocked(look.blocked[k]) & np.isfinite(light).all(axis=2)
        guide = cv2.blur(np.nan_to_num(light) @ weights, (3, 3))
        wins = open_here & (guide > best)
        best[wins] = guide[wins]
        plate[wins] = light[wins]
    return plate, ~np.isfinite(best)


def find_rough_reach(look: SweepLook, noise: NoiseModel) -> NDArray[np.bool_]:
    """Return where the light of any lit frame arrived (h', w'), from frames that do not follow each other.

    ``noise``: of one full-size frame, which sets the unit. Notes: a mean over 3 x 3 pixels stands in for the mean over
    time that neighbouring frames allow.
    """
    scale = (1 / np.sqrt(noise.a * np.maximum(look.small_ambient, 0) + noise.b)).astype(np.float32)
    best = np.full(look.small_ambient.shape, -np.inf, np.float32)
    valid = np.zeros(look.small_ambient.shape[:2], np.float32)
    for k in np.flatnonzero(look.table.lamp_on):
        light = look.light[int(k)]
        open_here = ~is_blocked(look.blocked[k]) & np.isfinite(light).all(axis=2)
        mean = cv2.blur(np.where(open_here[..., None], np.nan_to_num(light), 0), (3, 3))
        share = cv2.blur(open_here.astype(np.float32), (3, 3))
        level = mean / np.maximum(share, 0.1)[..., None] * scale
        np.maximum(best, np.where(open_here[..., None], level, -np.inf), out=best)
        valid = np.maximum(valid, open_here)
    return np.asarray(find_reached(best, valid=valid), bool)
