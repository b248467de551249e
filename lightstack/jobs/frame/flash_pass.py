"""One check for flashes over frames as they come, and the report of it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from lightstack.core.flash.flash import FlashWatch
from lightstack.core.flash.remedy import FrameKeeper, KeptFrame, even_out, find_largest, fit_limit, stays_within
from lightstack.core.flash.rules import AREA_LIMIT
from lightstack.jobs.frame.flash_look import FlashLook, shrink, to_half
from lightstack.records import FlashReport, FloatArray
from lightstack.report.flash_words import say_contrast, say_left_out, say_mix_share, say_part, say_speed

__all__ = ["FlashPass", "keep_light"]

Cells = NDArray[np.float32]
Timed = tuple[Fraction, Cells]
Change = Callable[[Sequence[KeptFrame], float], Iterator[Timed]]


class FlashPass:
    """Checks frames in order, keeps those round a failure, and says what would pass.

    ``mixed``: pieces that are kept hold the frame without its light and the light, so that the mix can be scaled.
    """

    def __init__(self, look: FlashLook, *, peak: float, mixed: bool) -> None:
        self._look, self._peak, self._mixed = look, peak, mixed
        self._watch, self._keeper = FlashWatch(peak=peak), FrameKeeper()
        self._limit = AREA_LIMIT

    def add(self, number: int, seconds: Fraction, cells: Cells, piece: NDArray[np.float16]) -> None:
        """Look at the next frame; ``piece``: what is shown, small, or what `keep_light` gives."""
        fails = self._watch.add(number, seconds, cells)
        self._keeper.add(KeptFrame(number, seconds, piece), fails=fails)

    def report(self, *, notes: Sequence[str] = (), frame_word: str = "frame") -> FlashReport:
        """Return the report; where a rule is broken this looks for what would pass."""
        watch = self._watch
        return FlashReport(
            watch.fails,
            watch.tabulate(),
            watch.spans,
            watch.places,
            self._find_remedies() if watch.fails else (),
            tuple(notes),
            self._look.words,
            frame_word,
        )

    def _find_remedies(self) -> tuple[str, ...]:
        """Look for the largest mix, or swing, and the highest speed that pass, on the frames that were kept."""
        wide = self._keeper.runs[0][0].piece.shape[1]
        change = self._share_mix if self._mixed else even_out
        worst = max(self._watch.spans, key=lambda span: span.area)
        self._limit = fit_limit((change(run, 1.0) for run in self._keeper.runs), worst, peak=self._peak)
        if self._passes(change, 1.0):
            return (say_left_out(wide),)
        share = find_largest(lambda x: self._passes(change, x))
        speed = find_largest(lambda x: self._passes(change, 1.0, speed=x))
        if self._mixed:
            bare = share is not None or self._passes(change, 0.0)
            said = [say_mix_share(share, hero_passes=bare, wide=wide)]
        else:
            said = [say_contrast(share, wide=wide)]
        said.append(say_speed(speed, mixed=self._mixed))
        return (*said, *((say_part(self._keeper.count),) if self._keeper.full else ()))

    def _passes(self, change: Change, share: float, *, speed: float = 1.0) -> bool:
        runs = (change(run, share) for run in self._keeper.runs)
        return stays_within(runs, peak=self._peak, limit=self._limit, speed=speed)

    def _share_mix(self, run: Sequence[KeptFrame], share: float) -> Iterator[Timed]:
        """Give a run's frames as they are shown with ``share`` of their light."""
        for frame in run:
            piece = frame.piece.astype(np.float32)
            lit = piece[..., :3] + np.float32(share) * piece[..., 3:]
            yield frame.seconds, self._look.cells_of_light(lit, small=True)


def keep_light(clean: FloatArray, relit: FloatArray) -> NDArray[np.float16]:
    """Return a frame without its light and the light, small, (h, w, 6) half floats."""
    bare = shrink(np.asarray(clean, np.float32))
    lit = bare if relit is clean else shrink(np.asarray(relit, np.float32))
    return to_half(np.concatenate([bare, lit - bare], axis=-1))
