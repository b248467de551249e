"""What happens to every pixel of a finished frame, in compiled loops: each reads and writes a picture once.

Rounding to half floats is to nearest, ties to even, as IEEE 754-2019 has it for binary16. What half floats do not reach
(beyond 65504, or no number) stays as it is: such a picture is written in 32-bit floats.
"""

# mypy: allow-untyped-defs

from __future__ import annotations

import numpy as np

from lightstack.core.compiled import compile_loop

__all__ = ["add_fall", "lay_plus", "round_flat"]

_SIGN = np.uint32(0x80000000)
_WHOLE = np.uint32(0x7FFFFFFF)
_LARGEST = np.uint32(0x477FE000)  # 65504 as a float
_LEAST_NORMAL = np.uint32(113 << 23)  # 2 ** -14
_BELOW_HALF = np.uint32(0xFFF)  # what is added rounds up from beyond the middle, with the last bit kept also from it
_KEPT = np.uint32(0xFFFFE000)
_ONE_HALF = np.float32(0.5)  # added to a subnormal half, its own last bit is worth a half's last bit


@compile_loop()
def round_flat(values, out):
    """Write float32 ``values`` (n,) as the nearest half floats hold them to ``out`` (n,) float32; may be the same."""
    bits, rounded = values.view(np.uint32), out.view(np.uint32)
    for i in range(values.shape[0]):
        size, sign = bits[i] & _WHOLE, bits[i] & _SIGN
        small = np.float32(abs(values[i]) + _ONE_HALF) - _ONE_HALF
        normal = (size + _BELOW_HALF + ((size >> np.uint32(13)) & np.uint32(1))) & _KEPT
        if size > _LARGEST:
            rounded[i] = bits[i]
        elif size >= _LEAST_NORMAL:
            rounded[i] = normal | sign
        else:
            out[i] = -small if sign else small


@compile_loop()
def add_fall(plate, kept, gain, total):
    """Add a light that is held back to ``total`` (H, W, 3): plate x (1 - kept) x gain.

    ``kept`` (H, W): how much of every pixel holds the light back; one without rows holds none back anywhere.
    """
    rows, width = total.shape[:2]
    one = np.float32(1)
    for y in range(rows):
        for x in range(width):
            share = one if kept.shape[0] == 0 else one - kept[y, x]
            for c in range(3):
                total[y, x, c] += (plate[y, x, c] * share) * gain


@compile_loop()
def lay_plus(hero, light, out, changed):
    """Write hero + light to ``out`` (H, W, 3), the hero where there is no light; ``changed`` (H, W): where there is.

    ``changed`` is only ever set, never cleared.
    """
    rows, width = out.shape[:2]
    for y in range(rows):
        for x in range(width):
            any_light = False
            for c in range(3):
                lit = light[y, x, c] != 0
                any_light = any_light or lit
                out[y, x, c] = hero[y, x, c] + light[y, x, c] if lit else hero[y, x, c]
            if any_light:
                changed[y, x] = True
