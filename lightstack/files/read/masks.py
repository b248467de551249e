"""Masks as pictures: PNG, TIFF or EXR, one for all frames or a sequence numbered by shot frames."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lightstack.errors import MismatchedInput, MissingInput, UnreadableInput
from lightstack.files.exr_look import look_over_exr
from lightstack.files.limits import check_limit, check_picture_size, clean_words, load_pictures
from lightstack.files.read.sequences import find_stills
from lightstack.files.read.still_parts import check_kind, find_codes
from lightstack.files.reading import reading
from lightstack.files.still_look import look_over_still

__all__ = ["MaskPictures", "find_masks", "read_mask"]


@dataclass(frozen=True, slots=True)
class MaskPictures:
    """Where masks lie. ``paths``: shot frame -> file, or one file under None for all frames."""

    name: Path
    paths: dict[int | None, Path]

    @property
    def numbered(self) -> bool:
        """Whether there is a mask for every frame, and not one for all."""
        return None not in self.paths

    def path_at(self, frame: int) -> Path:
        """Return the file of a shot frame. Raises MissingInput where the sequence does not hold it."""
        path = self.paths.get(frame if self.numbered else None)
        if path is None:
            have = f"{min(n for n in self.paths if n is not None)} to {max(n for n in self.paths if n is not None)}"
            raise MissingInput(
                f"{self.name}: has no mask for shot frame {frame}, it holds {have}; add it, or set the patch's `frames`"
            )
        return path

    def nearest(self, frame: int) -> tuple[int | None, Path]:
        """Return the picture nearest to a frame, the earlier of two, with its number; None for one that serves all."""
        if not self.numbered:
            return None, self.paths[None]
        number = min((n for n in self.paths if n is not None), key=lambda n: (abs(n - frame), n))
        return number, self.paths[number]

    @property
    def span(self) -> tuple[int, int] | None:
        """First and last number of a sequence; None for one picture."""
        numbers = [n for n in self.paths if n is not None]
        return (min(numbers), max(numbers)) if numbers else None


def find_masks(path: Path) -> MaskPictures:
    """Find a mask, or with ``####`` or ``%04d`` in its name a sequence of them. Raises MissingInput."""
    if not path.is_file() and ("#" in path.name or "%" in path.name):
        numbered: dict[int | None, Path] = {}
        for number, file in find_stills(path, allow_gaps=True).paths.items():
            numbered[number] = file
        return MaskPictures(path, numbered)
    if not path.is_file():
        what = "is a folder" if path.is_dir() else "nothing is there"
        raise MissingInput(f"{path}: {what}; name a mask picture, or `name.####.png` for a sequence")
    return MaskPictures(path, {None: path})


def read_mask(path: Path, size: tuple[int, int], *, channel: str = "auto") -> NDArray[np.float32]:
    """Read a mask of a ``(H, W)`` hero: float32 0 to 1, taken as it is stored, without any curve.

    ``channel``: its name, in any case; "auto": of a picture with alpha that is not the same everywhere the alpha, else
    the largest of its colours. Of an EXR that stores part of its picture only, the rest is 0.

    Raises
    ------
    MissingInput, UnreadableInput
        If it is not there, not a picture of light or of cover, or holds NaN.
    MismatchedInput
        If it has another size than the hero, or no channel of that name.
    """
    oiio = load_pictures()
    if not path.is_file():
        raise MissingInput(f"{path}: nothing is there")
    with reading(path):
        mask = _read_placed(oiio, path, size, channel)
    if not np.isfinite(mask).all():
        raise UnreadableInput(f"{path}: holds NaN or infinity; write it again without them")
    return np.clip(mask, 0, 1)


def _read_placed(oiio: Any, path: Path, size: tuple[int, int], channel: str) -> NDArray[np.float32]:
    """Read a mask's channel (H, W) in its place, as it is stored."""
    look_over_exr(path)
    look_over_still(path)
    source = oiio.ImageInput.open(str(path)) if path.stat().st_size else None
    if source is None:
        reason = clean_words(oiio.geterror) if path.stat().st_size else "it is empty"
        raise UnreadableInput(f"{path}: is not a readable mask ({reason}); save it as PNG or EXR")
    try:
        spec = source.spec()
        if (spec.full_height, spec.full_width) != size:
            raise MismatchedInput(
                f"{path}: is {spec.full_width} x {spec.full_height}, the hero is {size[1]} x {size[0]}; draw the mask "
                "over a full-size frame of the hero"
            )
        check_kind(path, spec)
        check_picture_size(path, spec.width, spec.height)
        check_limit(path, "PICTURE_CHANNELS", spec.nchannels)
        stored = _read_channel(path, source, spec, channel)
        corner = spec.x - spec.full_x, spec.y - spec.full_y
    finally:
        source.close()
    return _place_window(stored, corner, size)


def _read_channel(path: Path, source: Any, spec: Any, channel: str) -> NDArray[np.float32]:
    """Read the stored part (h, w) of a channel; of a picture of many layers only what may be the mask is held."""

    def read(first: int, last: int) -> NDArray[np.float32]:
        find_codes(path, spec, range(first, last))
        pixels = source.read_image(0, 0, first, last, "float")
        if pixels is None:
            raise UnreadableInput(f"{path}: cannot be read ({clean_words(source.geterror)}); save it again")
        return np.asarray(pixels, np.float32).reshape(spec.height, spec.width, last - first)

    if channel != "auto":
        index = _find_channel(path, list(spec.channelnames), channel)
        return read(index, index + 1)[..., 0]
    alpha, colours = spec.alpha_channel, read(0, min(spec.nchannels, 4))
    if alpha < colours.shape[2]:
        return _pick_channel(colours, alpha)
    return _pick_channel(np.concatenate([colours, read(alpha, alpha + 1)], axis=2), colours.shape[2])


def _find_channel(path: Path, names: list[str], wanted: str) -> int:
    """Return the place of a channel by its name; capitals count only where two differ by nothing else."""
    for fits in (lambda name: name == wanted, lambda name: name.lower() == wanted.lower()):
        found = [k for k, name in enumerate(names) if fits(name)]
        if found:
            return found[0]
    raise MismatchedInput(f"{path}: has no channel {wanted}; it has {', '.join(names)}")


def _place_window(
    mask: NDArray[np.float32], corner: tuple[int, int], size: tuple[int, int]
) -> NDArray[np.float32]:
    """Return a stored part (h, w) whose first pixel lies at ``corner`` (x, y) within the whole picture (H, W)."""
    if mask.shape == size and corner == (0, 0):
        return mask
    whole = np.zeros(size, np.float32)
    (left, top), (height, width) = corner, mask.shape
    rows, columns = slice(max(top, 0), min(top + height, size[0])), slice(max(left, 0), min(left + width, size[1]))
    if rows.start < rows.stop and columns.start < columns.stop:
        whole[rows, columns] = mask[rows.start - top : rows.stop - top, columns.start - left : columns.stop - left]
    return whole


def _pick_channel(pixels: NDArray[np.float32], alpha: int) -> NDArray[np.float32]:
    """Return the channel that is the mask, ``(H, W)``."""
    count = pixels.shape[2]
    if 0 <= alpha < count and (count == 1 or np.ptp(pixels[..., alpha]) > 0):
        return pixels[..., alpha]
    colours = [channel for channel in range(min(count, 4)) if channel != alpha]
    return pixels[..., colours].max(axis=2)
