"""Pictures put back to where the registration origin saw them.

A pose M is a 3 x 3 matrix in full-size pixels (x right, y down, pixel centres at .5): the registered
picture at x is the take's picture at M x. Everything here is one interpolation and no more: a pose of
identity hands the picture through untouched, bit for bit.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lightstack.core.compiled import compile_loop
from lightstack.errors import SettingError
from lightstack.records import BoolArray, FloatArray

__all__ = ["corner_shift_px", "is_identity", "scale_pose", "warp_picture"]

_PHASES = 4096  # kernel table steps per pixel; 1/8192 px of rounding is far below any pose error
_TAPS = {"sinc8": 8, "smooth8": 8, "lanczos4": 8, "linear": 2}
_KAISER_BETA = {"sinc8": 5.5, "smooth8": 8.0}


def is_identity(matrix: NDArray[np.float64]) -> bool:
    """Tell whether a pose is exactly the identity (not merely close to it)."""
    return bool(np.array_equal(np.asarray(matrix, np.float64), np.eye(3)))


def scale_pose(matrix: NDArray[np.float64], factor: float) -> NDArray[np.float64]:
    """Express a full-size pose in pixels that are ``factor`` times larger, ``(3, 3)`` float64.

    With pixel centres at .5 a box average by ``factor`` only scales coordinates; 1 / ``factor`` goes back.
    """
    scale = np.diag([factor, factor, 1.0])
    return np.linalg.inv(scale) @ np.asarray(matrix, np.float64) @ scale


def corner_shift_px(matrix: NDArray[np.float64], size: tuple[int, int]) -> float:
    """Return the largest distance by which a pose moves a corner of a ``(H, W)`` picture, pixels."""
    height, width = size
    corners = np.array([[0, 0, 1], [width, 0, 1], [0, height, 1], [width, height, 1]], np.float64)
    moved = corners @ np.asarray(matrix, np.float64).T
    return float(np.max(np.hypot(*(moved[:, :2] / moved[:, 2:] - corners[:, :2]).T)))


def warp_picture(
    picture: FloatArray, matrix: NDArray[np.float64], *, factor: int = 1, interpolation: str = "sinc8"
) -> tuple[FloatArray, BoolArray]:
    """Resample a picture into the registration origin: out(x) = picture(M x).

    ``picture``: ``(H, W)`` or ``(H, W, C)``, C 1..3, linear light; a proxy where ``factor`` > 1.
    ``matrix``: ``(3, 3)`` pose in full-size pixels. ``interpolation``: "sinc8", a sinc over eight samples in
    a Kaiser window; "smooth8", the same with a stronger window, for band-limited pictures; "lanczos4";
    "linear".
    Returns the picture, float32, same shape, and ``(H, W)`` bool: where M x lies on the picture. Outside
    is 0 and False, never smeared. The identity returns the picture itself (as float32, bit-exact).

    Raises SettingError for an unknown interpolation or a pose that folds the picture over.

    Notes: two passes of one dimension each. Under a quarter cycle per pixel "sinc8" misplaces nothing by
    more than 0.005 px and keeps contrast to 0.5 %; a Lanczos kernel of the same length reaches 0.014 px and
    1 %. Each pass may leave the range of the four nearest samples by at most a quarter of that range, and
    by at most a quarter of the brighter of the two in the middle: a clipped lamp that is hundreds of times
    brighter than the set cannot ring into it, while texture keeps its peaks. NaN and Inf spread over eight
    pixels. Cost: about 16 multiplications per pixel and channel.

    References: Kaiser and Schafer 1980, "On the use of the I0-sinh window for spectrum analysis", IEEE
    Trans. ASSP 28(1):105, eq. 1; Duchon 1979, "Lanczos filtering in one and two dimensions", J. Appl.
    Meteor. 18:1016, eq. 9; Catmull and Smith 1980, "3-D transformations of images in scanline order",
    SIGGRAPH 14(3).
    """
    if interpolation not in _TAPS:
        raise SettingError(f"interpolation {interpolation!r} is unknown; use one of {', '.join(_TAPS)}")
    source = np.asarray(picture, np.float32)
    if is_identity(matrix):
        return source, np.ones(source.shape[:2], bool)
    pose = _index_pose(scale_pose(matrix, factor))
    _check_pose(pose, source.shape[:2])
    cube = np.ascontiguousarray(source.reshape(*source.shape[:2], -1))
    table = _kernel_table(interpolation)
    passed = np.empty_like(cube)
    out = np.empty_like(cube)
    valid = np.empty(source.shape[:2], np.bool_)
    _resample_along_x(cube, pose, table, passed)
    _resample_along_y(passed, pose, table, out, valid)
    return out.reshape(source.shape), valid


def _index_pose(matrix: NDArray[np.float64]) -> NDArray[np.float64]:
    """Turn a pose on coordinates with centres at .5 into one on array indices."""
    to_centre = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1.0]])
    pose = np.linalg.inv(to_centre) @ matrix @ to_centre
    return np.ascontiguousarray(pose / pose[2, 2])


def _check_pose(pose: NDArray[np.float64], size: tuple[int, int]) -> None:
    """Refuse a pose for which the picture would be turned on its side or folded."""
    height, width = size
    for x, y in ((0, 0), (width, 0), (0, height), (width, height)):
        depth = pose[2] @ (x, y, 1.0)
        # d(source y)/dy must stay positive over the picture for the second pass to be a function
        slope = (pose[1, 1] * depth - (pose[1] @ (x, y, 1.0)) * pose[2, 1]) if depth > 0 else -1.0
        if not np.isfinite(slope) or slope < 0.25:
            raise SettingError("pose turns or folds the picture; registration handles small moves only")


def _kernel_table(interpolation: str) -> FloatArray:
    """Return kernel weights ``(phases + 1, taps)`` float32, each row summing to 1."""
    taps = _TAPS[interpolation]
    fraction = np.arange(_PHASES + 1)[:, None] / _PHASES
    offset = np.arange(taps)[None] - (taps // 2 - 1) - fraction
    reach = taps // 2
    inside = np.abs(offset) < reach
    if interpolation == "linear":
        weights = 1 - np.abs(offset)
    elif interpolation == "lanczos4":
        weights = np.where(inside, np.sinc(offset) * np.sinc(offset / reach), 0)
    else:
        beta = _KAISER_BETA[interpolation]
        window = np.i0(beta * np.sqrt(np.maximum(1 - (offset / reach) ** 2, 0))) / np.i0(beta)
        weights = np.where(inside, np.sinc(offset) * window, 0)
    return (weights / weights.sum(1, keepdims=True)).astype(np.float32)


@compile_loop()
def _resample_along_x(source, pose, table, out):  # type: ignore[no-untyped-def]
    """First pass: out[row, x] = source[row, X], where the final pixel (x, y) reads row Y(x, y) = row."""
    height, width, channels = source.shape
    taps = table.shape[1]
    phases = table.shape[0] - 1
    for row in range(height):
        for column in range(width):
            # Solve Y(x, y) = row for y, then take X(x, y).
            y = (row * (pose[2, 0] * column + pose[2, 2]) - pose[1, 0] * column - pose[1, 2]) / (
                pose[1, 1] - row * pose[2, 1]
            )
            depth = pose[2, 0] * column + pose[2, 1] * y + pose[2, 2]
            position = (pose[0, 0] * column + pose[0, 1] * y + pose[0, 2]) / depth
            position = min(max(position, -1.0), float(width))
            base = int(np.floor(position))
            phase = int((position - base) * phases + 0.5)
            first = base - (taps // 2 - 1)
            for channel in range(channels):
                total = np.float32(0)
                low = np.float32(np.inf)
                high = np.float32(-np.inf)
                middle = np.float32(0)
                for tap in range(taps):
                    value = source[row, min(max(first + tap, 0), width - 1), channel]
                    total += table[phase, tap] * value
                    if taps == 2 or (tap >= 2 and tap < 6):
                        low = min(low, value)
                        high = max(high, value)
                    if tap == 3 or tap == 4:
                        middle = max(middle, abs(value))
                slack = np.float32(0.25) * min(high - low, middle)
                out[row, column, channel] = min(max(total, low - slack), high + slack)


@compile_loop()
def _resample_along_y(source, pose, table, out, valid):  # type: ignore[no-untyped-def]
    """Second pass: out[y, x] = source[Y(x, y), x]; outside the picture 0 and invalid."""
    height, width, channels = source.shape
    taps = table.shape[1]
    phases = table.shape[0] - 1
    for row in range(height):
        for column in range(width):
            depth = pose[2, 0] * column + pose[2, 1] * row + pose[2, 2]
            across = (pose[0, 0] * column + pose[0, 1] * row + pose[0, 2]) / depth
            position = (pose[1, 0] * column + pose[1, 1] * row + pose[1, 2]) / depth
            inside = across >= 0 and across <= width - 1 and position >= 0 and position <= height - 1
            valid[row, column] = inside
            if not inside:
                out[row, column, :] = 0
                continue
            base = int(np.floor(position))
            phase = int((position - base) * phases + 0.5)
            first = base - (taps // 2 - 1)
            for channel in range(channels):
                total = np.float32(0)
                low = np.float32(np.inf)
                high = np.float32(-np.inf)
                middle = np.float32(0)
                for tap in range(taps):
                    value = source[min(max(first + tap, 0), height - 1), column, channel]
                    total += table[phase, tap] * value
                    if taps == 2 or (tap >= 2 and tap < 6):
                        low = min(low, value)
                        high = max(high, value)
                    if tap == 3 or tap == 4:
                        middle = max(middle, abs(value))
                slack = np.float32(0.25) * min(high - low, middle)
                out[row, column, channel] = min(max(total, low - slack), high + slack)
