"""Pictures for the review page that are looked at alone, as PNG."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from lightstack.errors import MissingInput
from lightstack.files.write.plates import encode_png
from lightstack.jobs.holdout.holdout import HeldMatte
from lightstack.jobs.light.plates import notes_of
from lightstack.jobs.review.open import ReviewShot
from lightstack.records import BuiltSweep
from lightstack.report.pictures import draw_reach, outline_mask

__all__ = ["PICTURES", "draw_picture"]

Drawn = NDArray[np.uint8]


def draw_picture(
    shot: ReviewShot, what: str, frame: int, sweep: str | None, *, held: bytes | None = None
) -> bytes:
    """Return one picture of a shot. ``frame``: a shot frame, of blockers a source frame; ``held``: a frame's hold-out.

    Raises MissingInput for one that there is none of.
    """
    if what == "holdout":
        if held is None:
            raise MissingInput("this shot has no hold-out")
        return encode_png(np.frombuffer(held, np.uint8).reshape(shot.proxy))
    if what == "doubt":
        return encode_png(draw_doubt(shot, frame))
    if what == "flash":
        return encode_png(draw_flash(shot))
    if what not in PICTURES:
        raise MissingInput(f"there is no picture {what[:40]!r}")
    return encode_png(PICTURES[what](pick_sweep(shot, sweep), frame))


def pick_sweep(shot: ReviewShot, name: str | None) -> BuiltSweep:
    """Return a sweep by name, the first by default. Raises MissingInput."""
    if name is not None:
        return shot.find_built(name)
    if not shot.built:
        raise MissingInput("this shot has no sweep")
    return shot.built[0]


def draw_plate(built: BuiltSweep, frame: int) -> Drawn:
    """The plate as the report shows it."""
    return built.report.pictures.plate


def draw_naive(built: BuiltSweep, frame: int) -> Drawn:
    """The plain maximum of every frame, for comparison."""
    return built.report.pictures.naive


def draw_reached(built: BuiltSweep, frame: int) -> Drawn:
    """Where the light arrived."""
    pictures = built.report.pictures
    return draw_reach(pictures.bright, pictures.reach, pictures.holes, full_size=pictures.full_size)


def draw_blockers(built: BuiltSweep, frame: int) -> Drawn:
    """A key frame with what was found to cover the set. Raises MissingInput for a frame that is none."""
    numbers = [key.source_frame for key in built.report.keys]
    if frame not in numbers:
        known = ", ".join(str(one) for one in notes_of(built).source_frames.tolist())
        raise MissingInput(f"frame {frame} is no key frame of {built.report.name}; they are {known}")
    place, pictures = numbers.index(frame), built.report.pictures
    return outline_mask(pictures.thumbnails[place], pictures.thumbnail_blocked[place])


PICTURES: dict[str, Callable[[BuiltSweep, int], Drawn]] = {
    "plate": draw_plate,
    "naive": draw_naive,
    "reach": draw_reached,
    "blockers": draw_blockers,
}


def draw_doubt(shot: ReviewShot, frame: int) -> Drawn:
    """Where a frame's hold-out is in doubt, white for most. Raises MissingInput without a hold-out."""
    first, last = shot.frames
    if not isinstance(shot.parts.held, HeldMatte) or not first <= frame <= last:
        raise MissingInput("this shot has no hold-out at that frame")
    return np.rint(255 * np.clip(shot.parts.held.doubt_at(frame), 0, 1)).astype(np.uint8)


def draw_flash(shot: ReviewShot) -> Drawn:
    """Where the finished frames flash. Raises MissingInput where they do not, or were not checked."""
    from lightstack.report.flash_plot import draw_places  # drawing takes long to load

    if shot.flash is None or not shot.flash.places:
        raise MissingInput("no place of this shot was found to flash")
    return draw_places(shot.flash.places)
