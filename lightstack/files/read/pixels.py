"""Decoder pixel layouts: which bytes of a decoded picture are which plane. No colour is converted here."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lightstack.errors import UnreadableInput

__all__ = ["PixelLayout", "parse_layout", "view_planes"]

# name: (bytes per sample, channels stored, places of R, G, B)
_PACKED_RGB = {
    "rgb24": (1, 3, (0, 1, 2)),
    "bgr24": (1, 3, (2, 1, 0)),
    "rgba": (1, 4, (0, 1, 2)),
    "bgra": (1, 4, (2, 1, 0)),
    "argb": (1, 4, (1, 2, 3)),
    "abgr": (1, 4, (3, 2, 1)),
    "rgb0": (1, 4, (0, 1, 2)),
    "bgr0": (1, 4, (2, 1, 0)),
    "0rgb": (1, 4, (1, 2, 3)),
    "0bgr": (1, 4, (3, 2, 1)),
    "rgb48": (2, 3, (0, 1, 2)),
    "bgr48": (2, 3, (2, 1, 0)),
    "rgba64": (2, 4, (0, 1, 2)),
    "bgra64": (2, 4, (2, 1, 0)),
}
# name: (chroma, bits, shift down to the low bits, Cb first)
_PAIRED_CHROMA = {
    "nv12": ("420", 8, 0, True),
    "nv21": ("420", 8, 0, False),
    "nv16": ("422", 8, 0, True),
    "p010": ("420", 10, 6, True),
    "p012": ("420", 12, 4, True),
    "p016": ("420", 16, 0, True),
    "p210": ("422", 10, 6, True),
    "p216": ("422", 16, 0, True),
}
_YUYV = {"yuyv422": (0, 1, 3), "uyvy422": (1, 0, 2), "yvyu422": (0, 3, 1)}  # places of Y, Cb, Cr


@dataclass(frozen=True, slots=True)
class PixelLayout:
    """``family``: "yuv", "grey", "rgb planes", "rgb packed", "yuv paired" or "yuyv"."""

    name: str
    family: str
    chroma: str
    bit_depth: int
    dtype: np.dtype
    full_by_name: bool = False  # the layout's name itself says full range
    has_alpha: bool = False


def parse_layout(name: str) -> PixelLayout:
    """Understand a decoder's pixel format name. Raises UnreadableInput where it is not known."""
    stem = re.sub(r"(le|be)$", "", name)
    order = ">" if name.endswith("be") else "<"

    def layout(family: str, chroma: str, bits: int, **more: bool) -> PixelLayout:
        kind = np.dtype(np.uint8) if bits <= 8 else np.dtype(f"{order}u2")
        return PixelLayout(name, family, chroma, bits, kind, **more)

    if match := re.fullmatch(r"yuv([aj]?)(420|422|444)p(\d*)", stem):
        flag, chroma, bits = match.groups()
        return layout("yuv", chroma, int(bits or 8), full_by_name=flag == "j", has_alpha=flag == "a")
    if match := re.fullmatch(r"gray(\d*)", stem):
        return layout("grey", "grey", int(match[1] or 8))
    if match := re.fullmatch(r"gbr(a?)p(\d*)", stem):
        return layout("rgb planes", "444", int(match[2] or 8), has_alpha=match[1] == "a")
    if stem in _PACKED_RGB:
        size, stored, _ = _PACKED_RGB[stem]
        alpha = stored == 4 and "a" in stem
        return layout("rgb packed", "444", 8 * size, has_alpha=alpha)
    if stem in _PAIRED_CHROMA:
        chroma, bits, _, _ = _PAIRED_CHROMA[stem]
        return layout("yuv paired", chroma, bits)
    if stem in _YUYV:
        return layout("yuyv", "422", 8)
    raise UnreadableInput(
        f"pixel layout {name!r} is not read; expected Y'CbCr 4:2:0, 4:2:2 or 4:4:4, R'G'B' or grey "
        "of 8 to 16 bits; convert the file to 10-bit 4:2:2"
    )


def view_planes(frame: Any, layout: PixelLayout) -> tuple[NDArray, ...]:
    """Give a decoded picture's planes as arrays: Y, Cb, Cr; or grey; or R, G, B; or one (H, W, 3).

    Plain planes are views on the decoder's own memory, which they keep alive; interleaved layouts are copied.
    """
    height, width = frame.height, frame.width
    family = layout.family
    if family == "grey":
        return (_view(frame.planes[0], layout.dtype, height, width),)
    if family == "yuv":
        low_height = -(-height // 2) if layout.chroma == "420" else height
        low_width = width if layout.chroma == "444" else -(-width // 2)
        sizes = ((height, width), (low_height, low_width), (low_height, low_width))
        return tuple(
            _view(plane, layout.dtype, *size) for plane, size in zip(frame.planes, sizes, strict=False)
        )
    if family == "rgb planes":
        green, blue, red = (_view(plane, layout.dtype, height, width) for plane in frame.planes[:3])
        return red, green, blue
    if family == "rgb packed":
        _, stored, places = _PACKED_RGB[re.sub(r"(le|be)$", "", layout.name)]
        pixels = _view(frame.planes[0], layout.dtype, height, width * stored).reshape(height, width, stored)
        return (np.ascontiguousarray(pixels[..., places]).astype(layout.dtype.newbyteorder("="), copy=False),)
    return _unweave(frame, layout, height, width)


def _unweave(frame: Any, layout: PixelLayout, height: int, width: int) -> tuple[NDArray, ...]:
    half = -(-width // 2)
    if layout.family == "yuyv":
        line = _view(frame.planes[0], layout.dtype, height, 4 * half).reshape(height, half, 4)
        luma, second, third = _YUYV[layout.name]
        luma_plane = line[..., luma::2].reshape(height, 2 * half)[:, :width]
        return tuple(np.ascontiguousarray(p) for p in (luma_plane, line[..., second], line[..., third]))
    _, _, shift, blue_first = _PAIRED_CHROMA[re.sub(r"(le|be)$", "", layout.name)]
    low_height = -(-height // 2) if layout.chroma == "420" else height
    luma_plane = _view(frame.planes[0], layout.dtype, height, width)
    pairs = _view(frame.planes[1], layout.dtype, low_height, 2 * half)
    chroma = (pairs[:, 0::2], pairs[:, 1::2]) if blue_first else (pairs[:, 1::2], pairs[:, 0::2])
    return tuple(np.ascontiguousarray(p >> shift) for p in (luma_plane, *chroma))


def _view(plane: Any, dtype: np.dtype, height: int, width: int) -> NDArray:
    line = plane.line_size // dtype.itemsize
    values = np.frombuffer(plane, dtype, count=line * height).reshape(height, line)[:, :width]
    return values if dtype.isnative else values.astype(dtype.newbyteorder("="))
