"""Plates on disk: scanline OpenEXR and 8-bit PNG, written whole or not at all.

OpenImageIO writes them: it is the library here that declares every part of a multi-part EXR first and then
takes the pictures one at a time, so a stack of any length needs the memory of one still. The date that it
would stamp into the header is blanked: the same light gives the same bytes.
"""

from __future__ import annotations

import re
import struct
import zlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.light import Primaries, custom_primaries, find_primaries, match_primaries
from lightstack.errors import MissingInput, OutputError, UnreadableInput
from lightstack.files.exr_look import look_over_exr
from lightstack.files.folder import is_utf8, replaced_whole, write_whole
from lightstack.files.limits import check_limit, check_picture_size, clean_words, load_pictures
from lightstack.files.reading import reading
from lightstack.files.still_look import look_over_still
from lightstack.files.write.exr_lines import Attributes, PartHeader

__all__ = [
    "TIMECODE",
    "ExrPart",
    "PartHeader",
    "encode_png",
    "read_exr",
    "read_exr_headers",
    "read_light",
    "read_png",
    "write_exr",
    "write_exr_parts",
    "write_png",
]

PNG_EFFORT = 1  # of 9; 6 makes the file 7 % smaller and takes six times as long
TIMECODE = "timeCode"  # the standard attribute; given as hh:mm:ss:ff
HALF_MAX = 65504.0  # IEEE 754 binary16
_COMPRESSIONS = ("none", "zips", "zip", "piz", "rle")  # lossless ones only: a plate is measured again


@dataclass(frozen=True, slots=True)
class ExrPart:
    """What stands in one part of an EXR.

    ``width``, ``height``: of its data window. ``primaries``: a name in ``PRIMARIES``, or one that spells the
    chromaticities out, or None where there are none. ``kind``: as in ``PartHeader``.
    """

    name: str
    channels: tuple[str, ...]
    width: int
    height: int
    kind: str
    compression: str
    primaries: str | None
    chromaticities: tuple[float, ...] | None
    attributes: Mapping[str, Any]


def write_exr(
    path: Path,
    channels: NDArray | Mapping[str, NDArray],
    *,
    primaries: str | Primaries,
    half: bool = True,
    compression: str = "zip",
    attributes: Attributes | None = None,
) -> None:
    """Write one scanline EXR.

    Parameters: ``channels``: ``(H, W, 3)`` linear light written as R, G, B, or a mapping of channel name to
    ``(H, W)`` (all float, or all integers, which become 32-bit unsigned). ``primaries``: of R, G, B, stored
    as ``chromaticities``. ``half``: 16-bit floats, unless a value lies beyond their range (65504): then the
    file is written in 32-bit floats rather than clipped. ``compression``: none, zips, zip, piz or rle.
    Raises: OutputError where the disk is full or the place cannot be written; nothing is left behind.
    """
    if isinstance(channels, Mapping):
        names = tuple(channels)
        pixels = np.stack([np.asarray(plane) for plane in channels.values()], axis=-1)
    else:
        names, pixels = ("R", "G", "B"), channels
    kind = _kind_of(pixels, half)
    header = PartHeader("", names, kind, compression, attributes or {})
    write_exr_parts(path, [header], [pixels], size=pixels.shape[:2], primaries=primaries)


def write_exr_parts(
    path: Path,
    headers: Sequence[PartHeader],
    pictures: Iterable[NDArray],
    *,
    size: tuple[int, int],
    primaries: str | Primaries,
) -> None:
    """Write a multi-part EXR: all headers first, then the pictures one at a time.

    Parameters: ``pictures`` gives one array per header, in order, ``(H, W)`` or ``(H, W, channels)``;
    ``size`` is (H, W) of all of them. One picture is held at a time. A single header without a name makes a
    plain EXR.
    Raises: OutputError where the disk is full, the place cannot be written, or a picture does not fit its
    header's half floats (they reach to 65504); nothing is left behind. ValueError where pictures and headers
    disagree.
    """
    oiio = _library()

    found = find_primaries(primaries) if isinstance(primaries, str) else primaries
    specs = [_describe_part(header, size, found) for header in headers]
    if not is_utf8(path):
        raise OutputError(f"{path!a}: cannot be written (the name is no UTF-8); name another file or folder")
    with replaced_whole(Path(path)) as part:
        part.touch()  # the operating system's own reason, where it refuses, is plainer than the library's
        out = oiio.ImageOutput.create("openexr")
        try:
            _must(out.open(str(part), tuple(specs) if len(specs) > 1 else specs[0]), out)
            for index, (header, picture) in enumerate(zip(headers, pictures, strict=True)):
                if index:
                    _must(out.open(str(part), specs[index], "AppendSubimage"), out)
                _must(out.write_image(_fit_picture(picture, header, size, path)), out)
        finally:
            closed = out.close()
        _must(closed, out)


def write_png(path: Path, pixels: NDArray[np.uint8]) -> None:
    """Write an 8-bit PNG as `encode_png` makes it. Raises OutputError."""
    write_whole(Path(path), encode_png(pixels))


def encode_png(pixels: NDArray[np.uint8]) -> bytes:
    """Return an 8-bit PNG of ``(H, W, 3)`` sRGB codes or ``(H, W)`` greys.

    Notes: marked as sRGB by its own chunk; no dates, no program names.
    References: ISO/IEC 15948 (PNG), sections 5.3 and 11.3.3.5 (sRGB chunk, intent 1 = relative colorimetric).
    """
    import cv2

    if pixels.dtype != np.uint8:
        raise ValueError(f"a PNG is written from uint8 codes, not {pixels.dtype}")
    planes = pixels[..., ::-1] if pixels.ndim == 3 else pixels  # OpenCV counts B, G, R
    done, coded = cv2.imencode(".png", np.ascontiguousarray(planes), [cv2.IMWRITE_PNG_COMPRESSION, PNG_EFFORT])
    if not done:
        raise ValueError(f"a picture of shape {pixels.shape} cannot be a PNG")
    data = coded.tobytes()
    header_end = 8 + 4 + 4 + 13 + 4  # signature, IHDR's length, name, content, checksum
    chunk = b"sRGB" + bytes([1])
    srgb = struct.pack(">I", 1) + chunk + struct.pack(">I", zlib.crc32(chunk))
    return data[:header_end] + srgb + data[header_end:]


def read_exr(path: Path, part: int | str = 0) -> dict[str, NDArray]:
    """Read one part of an EXR as channel name -> ``(H, W)`` array, in the file's own type and data window.

    Raises: MissingInput, UnreadableInput (also where there is no such part).
    """
    oiio = _library()

    index = part if isinstance(part, int) else _find_part(path, part)
    with _opened(path) as source:
        if not source.seek_subimage(index, 0):
            raise UnreadableInput(f"{path}: has no part {part}")
        spec = source.spec()
        _check_size(path, spec)
        kind = oiio.UNKNOWN if not spec.channelformats else oiio.FLOAT
        pixels = source.read_image(index, 0, 0, spec.nchannels, kind)
        if pixels is None:
            raise UnreadableInput(f"{path}: part {part} cannot be read ({clean_words(source.geterror)})")
    return {name: pixels[..., channel] for channel, name in enumerate(spec.channelnames)}


def read_light(path: Path, part: int | str = 0) -> NDArray[np.float32]:
    """Read one part of an EXR as light, (H, W, 3) float32.

    Raises: MissingInput, UnreadableInput (also where a pixel is no number: it would stay so in every frame).
    """
    channels = read_exr(path, part)
    if not channels.keys() >= set("RGB"):
        raise UnreadableInput(f"{path}: holds {', '.join(channels) or 'no channels'}; R, G and B were expected")
    light = np.stack([channels[name] for name in "RGB"], axis=-1).astype(np.float32)
    bad = int((~np.isfinite(light)).any(axis=-1).sum())
    if bad:
        raise UnreadableInput(
            f"{path}: {bad} {'pixel is' if bad == 1 else 'pixels are'} NaN or infinite and would stay so in every "
            "frame; write it again without them, or remove it and run again"
        )
    return light


def read_png(path: Path) -> NDArray[np.uint8]:
    """Read an 8-bit PNG as ``(H, W, channels)`` uint8. Raises MissingInput, UnreadableInput."""
    with _opened(path) as source:
        _check_size(path, source.spec())
        pixels = source.read_image("uint8")
        if pixels is None:
            raise UnreadableInput(f"{path}: cannot be read ({clean_words(source.geterror)})")
    return np.asarray(pixels, np.uint8)


def read_exr_headers(path: Path) -> tuple[ExrPart, ...]:
    """Read the headers of every part of an EXR. Raises MissingInput, UnreadableInput."""
    parts: list[ExrPart] = []
    with _opened(path) as source:
        while source.seek_subimage(len(parts), 0):
            parts.append(_read_part(source.spec()))
            check_limit(path, "PICTURE_PARTS", len(parts))
        clean_words(source.geterror)  # asking for the part after the last one leaves a complaint behind
    return tuple(parts)


# --- helpers ---------------------------------------------------------------------------------------


def _library() -> Any:
    return load_pictures()


@contextmanager
def _opened(path: Path) -> Iterator[Any]:
    """Give an OpenImageIO reader that closes itself and speaks in our errors."""
    if not Path(path).is_file():
        raise MissingInput(f"{path}: nothing is there")
    with reading(Path(path)):
        look_over_exr(Path(path))
        look_over_still(Path(path))
        oiio = _library()
        source = oiio.ImageInput.open(str(path))
        if source is None:
            raise UnreadableInput(f"{path}: cannot be read as a picture ({clean_words(oiio.geterror)})")
        try:
            yield source
        finally:
            source.close()


def _check_size(path: Path, spec: Any) -> None:
    check_picture_size(path, spec.width, spec.height)
    check_limit(path, "PICTURE_CHANNELS", spec.nchannels)


def _must(done: bool, out: Any) -> None:
    if not done:
        reason = " ".join(out.geterror().split()) or "no reason given"
        raise OSError(reason)  # folder.explain_os_error names the file and the remedy


def _kind_of(pixels: NDArray, half: bool) -> str:
    if pixels.dtype.kind in "iub":
        return "uint"
    return "half" if half and not _beyond_half(pixels) else "float"


def _beyond_half(pixels: NDArray) -> bool:
    if pixels.dtype == np.float16:
        return False
    finite = pixels[np.isfinite(pixels)] if not np.isfinite(pixels).all() else pixels
    return finite.size > 0 and max(float(finite.max()), -float(finite.min())) > HALF_MAX


def _describe_part(header: PartHeader, size: tuple[int, int], primaries: Primaries) -> Any:
    oiio = _library()

    if header.compression not in _COMPRESSIONS:
        raise ValueError(f"compression {header.compression!r}: one of {', '.join(_COMPRESSIONS)}")
    spec = oiio.ImageSpec(size[1], size[0], len(header.channels), oiio.TypeDesc(header.kind))
    spec.channelnames = header.channels
    spec.attribute("compression", header.compression)
    spec.attribute("DateTime", "")  # otherwise the time of writing is stamped in
    spec.attribute("chromaticities", "float[8]", primaries.chromaticities)
    if header.name:
        spec.attribute("oiio:subimagename", header.name)
    for key, value in sorted(header.attributes.items()):
        _put_attribute(spec, key, value)
    return spec


def _put_attribute(spec: Any, key: str, value: Any) -> None:
    """Put a value into a header: text and numbers as they are, fractions as ``rational``, timecode as ``timecode``."""
    if isinstance(value, Fraction):
        kind = _library().TypeDesc("rational")
        spec.attribute(key, kind, (value.numerator, value.denominator))
    elif key == TIMECODE:
        kind = _library().TypeDesc("timecode")
        spec.attribute("smpte:TimeCode", kind, (pack_timecode(str(value)), 0))
    else:
        spec.attribute(key, value)


def pack_timecode(timecode: str) -> int:
    """Return ``hh:mm:ss:ff`` (``;`` before the frames: drop-frame) as OpenEXR keeps it.

    References: OpenEXR's standard attribute timeCode, layout "TV60": binary-coded decimals as SMPTE ST 12-1 has them,
    frames in the lowest byte with the drop-frame flag in its bit 6.
    """
    hours, minutes, seconds, frames = (int(field, 16) for field in re.split("[:;]", timecode))
    return hours << 24 | minutes << 16 | seconds << 8 | frames | (0x40 if ";" in timecode else 0)


def _fit_picture(picture: NDArray, header: PartHeader, size: tuple[int, int], path: Path) -> NDArray:
    picture = picture.reshape(*picture.shape[:2], -1)
    if picture.shape != (*size, len(header.channels)):
        raise ValueError(
            f"{path}: part {header.name!r} got {picture.shape}, declared {size} {header.channels}"
        )
    if header.kind == "half" and _beyond_half(picture):
        peak = float(np.nanmax(np.abs(picture)))
        name = f" part {header.name}" if header.name else ""
        raise OutputError(f"{path}:{name} holds {peak:.6g}, half floats end at 65504; write 32-bit floats")
    dtype = {"half": np.float16, "float": np.float32, "uint": np.uint32}[header.kind]
    return np.ascontiguousarray(picture.astype(dtype, copy=False))


def _find_part(path: Path, name: str) -> int:
    names = [part.name for part in read_exr_headers(path)]
    if name not in names:
        raise UnreadableInput(f"{path}: has no part {name!r}; it holds {', '.join(names) or 'none'}")
    return names.index(name)


def _name_primaries(chromaticities: tuple[float, ...] | None) -> str | None:
    if chromaticities is None or len(chromaticities) != 8:
        return None
    return match_primaries(chromaticities) or custom_primaries(chromaticities).name


def _read_part(spec: Any) -> ExrPart:
    numbers = spec.getattribute("chromaticities")
    chromaticities = tuple(float(number) for number in numbers) if numbers else None
    return ExrPart(
        name=spec.getattribute("oiio:subimagename") or spec.getattribute("name") or "",
        channels=tuple(spec.channelnames),
        width=spec.width,
        height=spec.height,
        kind={"uint32": "uint"}.get(str(spec.format), str(spec.format)),
        compression=spec.getattribute("compression") or "none",
        primaries=_name_primaries(chromaticities),
        chromaticities=chromaticities,
        attributes={item.name: item.value for item in spec.extra_attribs},
    )
