"""Coded planes -> the same picture at more bits or with more chroma samples, without going through light.

A movie codec may hold only 10 bits, or no 4:2:0. Then the hero's own codes are put on the deeper scale, and its
chroma is interpolated exactly as reading would interpolate it, so that both decode to the same light.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.decoder import chroma_siting, code_scales
from lightstack.core.colour.planes import is_packed
from lightstack.errors import SettingError
from lightstack.records import Encoding

__all__ = ["widen_encoding", "widen_planes", "widens_exactly"]


def widen_encoding(encoding: Encoding, *, bit_depth: int | None = None, chroma: str | None = None) -> Encoding:
    """Return an encoding with more bits or more chroma samples; every signal keeps its meaning.

    Raises SettingError where that would lose bits or chroma samples.
    """
    wide = replace(encoding, bit_depth=bit_depth or encoding.bit_depth, chroma=chroma or encoding.chroma)
    order = ("420", "422", "444")
    same = wide.chroma == encoding.chroma
    grows = same or (wide.chroma in order and encoding.chroma in order[: order.index(wide.chroma)])
    if wide.bit_depth < encoding.bit_depth or not grows:
        raise SettingError(
            f"pictures of {encoding.bit_depth} bits {encoding.chroma} do not fit {wide.bit_depth} bits {wide.chroma}; "
            "expected at least as many bits and chroma samples"
        )
    return wide


def widens_exactly(encoding: Encoding, bit_depth: int) -> bool:
    """Whether every code of an encoding has one of exactly the same signal at another depth.

    References: ITU-T H.273, equations 20-31: limited range scales by powers of two; full range by 2^depth - 1.
    """
    return bit_depth == encoding.bit_depth or (encoding.range == "limited" and bit_depth > encoding.bit_depth)


def widen_planes(planes: tuple[NDArray, ...], have: Encoding, want: Encoding) -> tuple[NDArray, ...]:
    """Put planes that are coded as ``have`` on the scale of ``want`` (made by `widen_encoding`).

    ``planes``: as ``CodedFrame.planes``. Returns uint8 or uint16 planes; the given ones where nothing changes.

    Notes
    -----
    Limited range widens exactly (4 codes for each from 8 to 10 bits); full range to the nearest code, which
    names its own code still. Chroma between two samples is interpolated by the decoder's own shares: quarters at
    most, so from 8 to 10 bits that is exact too; else rounded to the nearest code.
    """
    same_chroma = (have.chroma, have.chroma_location) == (want.chroma, want.chroma_location)
    if same_chroma and have.bit_depth == want.bit_depth:
        return planes
    coloured = have.matrix != "rgb" and not is_packed(planes)
    done = []
    for index, plane in enumerate(planes):
        chroma = coloured and index > 0
        if chroma and not same_chroma:
            values = _fill_samples(plane.astype(np.float32), have, want, frame_shape=planes[0].shape)
            done.append(_scale_codes(values, have, want, chroma=True))
        else:
            done.append(_deepen(plane, have, want, chroma=chroma))
    return tuple(done)


def _deepen(plane: NDArray, have: Encoding, want: Encoding, *, chroma: bool) -> NDArray:
    """Put a plane on a deeper scale, by a table or a shift of bits."""
    if have.bit_depth == want.bit_depth:
        return plane
    if have.range == "limited":
        return plane.astype(np.uint16) << np.uint16(want.bit_depth - have.bit_depth)
    table = _scale_codes(np.arange(2.0**have.bit_depth), have, want, chroma=chroma)
    return np.asarray(table[plane])


def _scale_codes(values: NDArray, have: Encoding, want: Encoding, *, chroma: bool) -> NDArray:
    """Round codes of ``have`` (not always whole) to the nearest codes of ``want``."""
    zero, scale = code_scales(have)[int(chroma)]
    new_zero, new_scale = code_scales(want)[int(chroma)]
    codes = np.floor((values - zero) * (new_scale / scale) + new_zero + 0.5)
    dtype = np.uint8 if want.bit_depth == 8 else np.uint16
    return np.clip(codes, 0, 2**want.bit_depth - 1).astype(dtype)


def _fill_samples(
    plane: NDArray[np.float32], have: Encoding, want: Encoding, *, frame_shape: tuple[int, ...]
) -> NDArray[np.float32]:
    """Interpolate chroma to the rows (and columns) that ``want`` has and ``have`` lacks."""
    before, after = chroma_siting(have), chroma_siting(want)
    if before[3] > after[3]:
        plane = _interpolate_rows(plane, frame_shape[0], before[4], before[5])
    if before[0] > after[0]:
        plane = _interpolate_rows(plane.T, frame_shape[1], before[1], before[2]).T
    return np.ascontiguousarray(plane)


def _interpolate_rows(plane: NDArray[np.float32], count: int, even: float, odd: float) -> NDArray[np.float32]:
    """Double rows to ``count``; ``even``/``odd``: the farther sample's share. The edge repeats."""
    above = np.concatenate([plane[:1], plane[:-1]])
    below = np.concatenate([plane[1:], plane[-1:]])
    out = np.empty((2 * plane.shape[0], plane.shape[1]), np.float32)
    out[0::2] = plane + np.float32(even) * (above - plane)
    out[1::2] = plane + np.float32(odd) * (below - plane)
    return out[:count]
