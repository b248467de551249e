"""Which part and which channels of a still are its picture, and whether its numbers are a colour that is read at all.

References: TIFF 6.0, tags 254 (new subfile type) and 262 (photometric interpretation); SMPTE ST 268-1:2014,
table 1 (descriptor).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from lightstack.errors import UnreadableInput

__all__ = ["FoundPicture", "base_name", "check_kind", "find_codes", "find_picture"]

_COLOUR_MODELS = {0, 1, 2, 3, 6}  # grey either way round, R'G'B', a palette, Y'CbCr: what a library turns into R'G'B'
_MODEL_NAMES = {4: "a transparency mask", 5: "amounts of ink (CMYK)", 8: "L*a*b*", 9: "L*a*b*", 10: "L*a*b*"}
_REDUCED, _OF_MASK = 1, 4  # bits of a TIFF's subfile type


@dataclass(frozen=True, slots=True)
class FoundPicture:
    """``part``: which one holds the picture; ``channels``: where its R, G, B lie (three times the same for grey);
    ``notes``: what else is there, one sentence each."""

    part: int
    channels: tuple[int, int, int]
    notes: tuple[str, ...]


def find_picture(path: Path, specs: Sequence[Any]) -> FoundPicture:
    """Find the first part with R, G, B in a still's OpenImageIO specs; else the first with one channel, grey.

    Reduced copies of the picture are passed over. Raises UnreadableInput where no part holds a picture, where red,
    green or blue stand without the others, or where the numbers are no light: inks, L*a*b*, luminance and chroma.
    """
    whole = [n for n, spec in enumerate(specs) if not _subfile_kind(spec) & (_REDUCED | _OF_MASK)] or [0]
    coloured = {n: layers for n in whole if (layers := _find_rgb(specs[n].channelnames))}
    for part, layers in coloured.items():
        check_kind(path, specs[part])
        notes = (*_tell_parts(specs, len(coloured), part), *_tell_layers(layers))
        return FoundPicture(part, next(iter(layers.values())), notes)
    for part in whole:
        channel = _find_grey(path, specs[part])
        if channel is not None:
            check_kind(path, specs[part])
            notes = ("holds grey only, used for red, green and blue alike", *_tell_parts(specs, len(whole), part))
            return FoundPicture(part, (channel,) * 3, notes)
    names = ", ".join(name for spec in specs for name in spec.channelnames)
    raise UnreadableInput(f"{path}: holds {names or 'no channels'}; R, G, B or one grey channel expected")


def base_name(name: str) -> str:
    """The last word of a channel's name, in capitals."""
    return name.rpartition(".")[2].upper()


def _subfile_kind(spec: Any) -> int:
    return int(spec.getattribute("tiff:subfiletype") or 0)


def _find_rgb(names: Sequence[str]) -> dict[str, tuple[int, int, int]]:
    """Find the layers that hold R, G and B, those without a name first."""
    layers = dict.fromkeys(name.rpartition(".")[0] for name in names)
    folded = [name.upper() for name in names]
    found = {}
    for layer in sorted(layers, key=lambda layer: layer != ""):
        wanted = [(f"{layer}.{letter}" if layer else letter).upper() for letter in "RGB"]
        if all(name in folded for name in wanted):
            red, green, blue = (folded.index(name) for name in wanted)
            found[layer] = (red, green, blue)
    return found


def _find_grey(path: Path, spec: Any) -> int | None:
    """Find the one channel that may stand for all; red, green or blue alone is a picture that has lost the others."""
    bases = [base_name(name) for name in spec.channelnames]
    if "RY" in bases or "BY" in bases:
        raise UnreadableInput(f"{path}: holds luminance and chroma channels; write it again as R, G, B")
    colours = [index for index, base in enumerate(bases) if base not in ("A", "Z", "ZBACK")]
    return colours[0] if len(colours) == 1 and bases[colours[0]] not in ("R", "G", "B") else None


def check_kind(path: Path, spec: Any) -> None:
    """Refuse deep data, and a picture whose library makes R'G'B' of it by no rule that is written down.

    Raises UnreadableInput.
    """
    if spec.depth > 1 or spec.deep:
        raise UnreadableInput(f"{path}: holds deep or volume data; write it again as a flat picture")
    number = spec.getattribute("tiff:PhotometricInterpretation")
    if number is not None and int(number) not in _COLOUR_MODELS:
        what = _MODEL_NAMES.get(int(number), f"a colour model that is not read (number {int(number)} of TIFF)")
        raise UnreadableInput(f"{path}: holds {what}; write it again as R, G, B")
    if spec.getattribute("jpeg:ColorSpace") == "CMYK":
        raise UnreadableInput(f"{path}: holds {_MODEL_NAMES[5]}; write it again as R, G, B")
    word = str(spec.getattribute("dpx:ImageDescriptor") or "")
    if word.startswith("CbY"):
        raise UnreadableInput(f"{path}: holds luma and chroma ({word}); write it again as R, G, B")


def find_codes(path: Path, spec: Any, channels: Sequence[int]) -> str:
    """Name the numbers of some channels: "uint8", "uint16", "half" or "float". Raises UnreadableInput for others."""
    formats = spec.channelformats
    kinds = {str(formats[n]) for n in channels} if formats else {str(spec.format)}
    for one in ("half", "uint8", "uint16"):
        if kinds <= {one}:
            return one
    if kinds <= {"half", "float", "double"}:
        return "float"
    raise UnreadableInput(f"{path}: holds {', '.join(sorted(kinds))}; 8/16-bit codes or floats expected")


def _tell_parts(specs: Sequence[Any], count: int, part: int) -> tuple[str, ...]:
    """Say which of several pictures is used, so that nobody takes it for another."""
    if count < 2:
        return ()
    name = specs[part].getattribute("oiio:subimagename")
    return (f"holds {count} pictures, {f'the one called {name!r}' if name else f'number {part + 1}'} is used",)


def _tell_layers(layers: dict[str, tuple[int, int, int]]) -> tuple[str, ...]:
    if len(layers) < 2:
        return ()
    first, *others = (f"layer {layer!r}" if layer else "the plain R, G, B" for layer in layers)
    return (f"{first} is used, not {', '.join(others[:4])}{', ...' if len(others) > 4 else ''}",)
