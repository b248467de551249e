"""Half floats by compiled loops: numpy converts them one at a time, and a stack holds a thousand million.

Rounding is to nearest, ties to even, as numpy's own conversion does it; what lies beyond the range of half
floats becomes their largest number (65504), what is no number stays none.

References: IEEE 754-2019, binary16 and binary32. The single addition that rounds both normal and subnormal
numbers: Giesen, "float->half variants" (public domain notes, 2012), from memory.
"""

# mypy: allow-untyped-defs

from __future__ import annotations

import numpy as np
from llvmlite import ir
from numba.core import types
from numba.extending import intrinsic
from numpy.typing import NDArray

from lightstack.core.compiled import compile_loop

__all__ = [
    "HALF_VALUES",
    "grow_rows",
    "keep_larger",
    "narrow",
    "narrow_rows",
    "narrow_within",
    "pack_rows",
    "subtract_halves",
    "take_apart",
    "to_finite",
    "to_float",
    "to_half",
    "unpack_rows",
    "widen",
]

HALF_VALUES: NDArray[np.float32] = np.arange(65536, dtype=np.uint16).view(np.float16).astype(np.float32)

STRIP = 1 << 16  # values converted at a time; they stay in the processor's cache

_SIGN = np.uint32(0x80000000)
_WHOLE = np.uint32(0x7FFFFFFF)
_INFINITY = np.uint32(0x7F800000)
_LARGEST = np.uint32(0x477FE000)  # 65504 as a float
_LEAST_NORMAL = np.uint32(113 << 23)  # 2 ** -14
_REBIAS = np.uint32((112 << 23) - 0xFFF)
_HALF = np.uint32(0x3F000000)  # 0.5: added to a subnormal half, its last bit is worth a half's last bit
_NONE = np.uint16(0x7E00)
_HALF_WHOLE = np.uint32(0x7FFF)
_HALF_INFINITY = np.uint32(0x7C00)
_HALF_NORMAL = np.uint32(0x400)  # the least normal half float
_UNBIAS = np.uint32(112 << 23)
_LINE = 2048
_TINY = np.float32(2.0**-24)  # what the last bit of a subnormal half is worth
_MOST = np.float32(np.finfo(np.float32).max)


@compile_loop()
def narrow(values, shifted, out):
    """Write float32 ``values`` (n,) as half floats to ``out`` (n,) uint16; ``shifted`` (n,) is scratch."""
    bits, small = values.view(np.uint32), shifted.view(np.uint32)
    for i in range(out.shape[0]):
        shifted[i] = abs(values[i]) + np.float32(0.5)
    for i in range(out.shape[0]):
        size = bits[i] & _WHOLE
        sign = np.uint16((bits[i] & _SIGN) >> np.uint32(16))
        held = min(size, _LARGEST)
        odd = (held >> np.uint32(13)) & np.uint32(1)
        normal = (held - _REBIAS + odd) >> np.uint32(13)
        half = np.uint16(normal if held >= _LEAST_NORMAL else small[i] - _HALF)
        out[i] = sign | (half if size <= _INFINITY else _NONE)


def to_half(picture: NDArray[np.float32]) -> NDArray[np.float16] | NDArray[np.float32]:
    """Return a picture as half floats; as it is where a value lies beyond them (65504), which they would cut off."""
    flat = np.ascontiguousarray(picture, np.float32).reshape(-1)
    out = np.empty(flat.shape, np.uint16)
    beyond = False
    scratch = np.empty(min(len(flat), STRIP), np.float32)
    for start in range(0, len(flat), STRIP):
        part = flat[start : start + STRIP]
        beyond = beyond or reaches_beyond(part)
        narrow(part, scratch[: len(part)], out[start : start + STRIP])
    return picture if beyond else out.view(np.float16).reshape(picture.shape)


@compile_loop()
def reaches_beyond(values):
    """Tell whether any of ``values`` (n,) lies beyond the range of half floats; infinity does, no number does not."""
    bits = values.view(np.uint32)
    beyond = False
    for i in range(values.shape[0]):
        size = bits[i] & _WHOLE
        beyond = beyond or (size > _LARGEST and size <= _INFINITY)
    return beyond


@intrinsic
def _as_float(_context, _word):
    """Read the bits of a uint32 as a float32, in a register: through memory no loop takes several at once."""

    def build(_context, builder, _signature, arguments):
        return builder.bitcast(arguments[0], ir.FloatType())

    return types.float32(types.uint32), build


@compile_loop()
def widen(bits, out):
    """Write half floats ``bits`` (n,) uint16 as float32 to ``out`` (n,), exactly; several times faster than a table."""
    for i in range(out.shape[0]):
        half = np.uint32(bits[i])
        size = half & _HALF_WHOLE
        word = (size << np.uint32(13)) + _UNBIAS
        word = word + _UNBIAS if size >= _HALF_INFINITY else word
        tiny = np.float32(np.int32(size)) * _TINY
        value = tiny if size < _HALF_NORMAL else _as_float(word)  # type: ignore[call-arg]
        out[i] = -value if half != size else value


@compile_loop()
def _hold_finite(values):
    """Put 0 in place of what is no number and the largest number in place of infinity, in place; ``values`` (n,)."""
    for i in range(values.shape[0]):
        value = values[i]
        value = min(max(value, -_MOST), _MOST) if value == value else np.float32(0)
        values[i] = value


def to_float(halves: NDArray) -> NDArray[np.float32]:
    """Return half floats of any shape as float32, exactly; other numbers as float32, not copied where they are that."""
    if halves.dtype != np.float16:
        return np.asarray(halves, np.float32)
    flat = np.ascontiguousarray(halves).view(np.uint16).reshape(-1)
    out = np.empty(flat.shape, np.float32)
    widen(flat, out)
    return out.reshape(halves.shape)


def to_finite(halves: NDArray) -> NDArray[np.float32]:
    """Return half floats as float32, as ``np.nan_to_num`` leaves them: 0 for what is no number."""
    if halves.dtype != np.float16:
        return np.asarray(np.nan_to_num(np.asarray(halves, np.float32)))
    out = to_float(halves)
    _hold_finite(out.reshape(-1))
    return out


@compile_loop()
def narrow_rows(picture, out):
    """Write rows of float32 ``picture`` (h, w, G) as planar half floats to ``out`` (h, G, w) uint16."""
    rows, width, groups = picture.shape
    line, shifted = np.empty(width, np.float32), np.empty(width, np.float32)
    for y in range(rows):
        for g in range(groups):
            for x in range(width):
                line[x] = picture[y, x, g]
            narrow(line, shifted, out[y, g])


@compile_loop()
def pack_rows(light, valid, out):
    """Write rows of ``light`` (h, w, 3) and ``valid`` (h, w) to ``out`` (h, 4, w) uint16: A, B, G, R.

    A ``valid`` without rows stands for 1 everywhere.
    """
    rows, width = light.shape[:2]
    line, shifted = np.empty(width, np.float32), np.empty(width, np.float32)
    for y in range(rows):
        if valid.shape[0]:
            narrow(valid[y], shifted, out[y, 0])
        else:
            out[y, 0, :] = np.uint16(0x3C00)
        for plane in range(1, 4):
            for x in range(width):
                line[x] = light[y, x, 3 - plane]
            narrow(line, shifted, out[y, plane])


@compile_loop()
def unpack_rows(packed, light, valid):
    """Read what ``pack_rows`` wrote back to float32."""
    rows, width = valid.shape
    red, green, blue = np.empty(width, np.float32), np.empty(width, np.float32), np.empty(width, np.float32)
    for y in range(rows):
        widen(packed[y, 0], valid[y])
        widen(packed[y, 3], red)
        widen(packed[y, 2], green)
        widen(packed[y, 1], blue)
        for x in range(width):
            light[y, x, 0] = red[x]
            light[y, x, 1] = green[x]
            light[y, x, 2] = blue[x]


@compile_loop()
def keep_larger(best, other):
    """Keep in ``best`` (n,) the larger of two half floats, both given as int16, neither of them no number."""
    magnitude = np.int16(0x7FFF)
    for i in range(best.shape[0]):
        a, b = best[i], other[i]
        rank_a, rank_b = a ^ ((a >> 15) & magnitude), b ^ ((b >> 15) & magnitude)
        best[i] = a if rank_a >= rank_b else b


@compile_loop()
def take_apart(picture, ambient, share, gain, out):
    """Write rows of (picture x share - ambient) x gain to ``out``; all (h, w, 3), ``share``, ``gain`` (3,)."""
    rows, width = out.shape[:2]
    plain = True
    for c in range(3):
        plain = plain and share[c] == 1 and gain[c] == 1
    if plain:
        for y in range(rows):
            ours, theirs, into = picture[y].reshape(-1), ambient[y].reshape(-1), out[y].reshape(-1)
            for i in range(3 * width):
                into[i] = ours[i] - theirs[i]
        return
    for y in range(rows):
        for x in range(width):
            for c in range(3):
                out[y, x, c] = (picture[y, x, c] * share[c] - ambient[y, x, c]) * gain[c]


@compile_loop(error_model="numpy")
def subtract_halves(picture, ambient, drift, out):
    """Write half floats ``picture`` / ``drift`` - ``ambient`` to ``out``; ``drift`` (3,), the others (h, w, 3)."""
    still = drift[0] == 1 and drift[1] == 1 and drift[2] == 1
    for y in range(out.shape[0]):
        widen(picture[y].reshape(-1), out[y].reshape(-1))
        if still:
            ours, theirs = out[y].reshape(-1), ambient[y].reshape(-1)
            for i in range(ours.shape[0]):
                ours[i] -= theirs[i]
            continue
        for x in range(out.shape[1]):
            for c in range(3):
                out[y, x, c] = out[y, x, c] / drift[c] - ambient[y, x, c]


@compile_loop()
def narrow_within(values, limit, out):
    """Write float32 ``values`` (n,), held within +-``limit``, as half floats to ``out`` (n,) uint16."""
    held, shifted = np.empty(_LINE, np.float32), np.empty(_LINE, np.float32)
    for start in range(0, out.shape[0], _LINE):
        count = min(_LINE, out.shape[0] - start)
        for i in range(count):
            value = values[start + i]
            value = min(value, limit) if value > -limit else value  # what is no number stays none
            held[i] = -limit if value <= -limit else value
        narrow(held[:count], shifted[:count], out[start : start + count])


@compile_loop()
def grow_rows(first_row, small, out):
    """Double a picture ``small`` (h, w, G) and write rows from ``first_row`` on to ``out`` (rows, G, W) uint16.

    Linear between samples whose positions are kept (pixel centres at .5); the picture's edge repeats.
    """
    rows, groups, width = out.shape
    height, narrow_width = small.shape[:2]
    near, far = np.float32(0.75), np.float32(0.25)
    line, wide = np.empty(narrow_width, np.float32), np.empty(2 * narrow_width, np.float32)
    shifted = np.empty(width, np.float32)
    for r in range(rows):
        row = first_row + r
        own = row // 2
        other = min(own + 1, height - 1) if row % 2 else max(own - 1, 0)
        for g in range(groups):
            for x in range(narrow_width):
                line[x] = near * small[own, x, g] + far * small[other, x, g]
            wide[0] = line[0]
            for x in range(1, narrow_width):
                wide[2 * x] = near * line[x] + far * line[x - 1]
            for x in range(narrow_width - 1):
                wide[2 * x + 1] = near * line[x] + far * line[x + 1]
            wide[2 * narrow_width - 1] = line[narrow_width - 1]
            narrow(wide[:width], shifted, out[r, g])
