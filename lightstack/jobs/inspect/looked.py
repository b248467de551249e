"""A take after its survey, with what its checks need."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import nan

import numpy as np
from numpy.typing import NDArray

from lightstack.jobs.takes.look import SweepLook
from lightstack.jobs.takes.luma import LumaSamples
from lightstack.records import FrameTable, Hole, ProxyTake, Registration, TakeInfo


@dataclass(frozen=True, slots=True)
class TakeLooked:
    """A take after its survey, with what its checks need.

    ``rest``: (h, w, 3) linear picture at survey size of the take at rest, a sweep's ambient. ``table``: per-frame
    numbers. ``look``: of a sweep. ``failure``: why nothing more could be measured.
    """

    name: str
    role: str
    reason: str
    about: str
    info: TakeInfo
    primaries: str
    proxies: ProxyTake
    luma: LumaSamples
    quick: bool
    registration: Registration | None = None
    rest: NDArray[np.float32] | None = None
    table: FrameTable | None = None
    look: SweepLook | None = None
    gel: NDArray[np.float64] | None = None  # (3,) colour of the lamp light
    coverage: float = nan
    key_count: int = 0
    reach: NDArray[np.bool_] | None = None
    holes: tuple[Hole, ...] = ()  # in full-size pixels
    brief: bool = False  # part of a build, which has other things to do
    rest_frames: int = 1  # that ``rest`` is a mean of
    own: NDArray[np.float32] | None = None  # (3, 3) from ``rest`` to the light that the codes stand for
    failure: str = ""

    def fail(self, reason: str) -> TakeLooked:
        """Return the take with the reason why it cannot be used."""
        return replace(self, failure=reason)

    def add_look(self, look: SweepLook) -> TakeLooked:
        """Return the take with what was measured of it as a sweep."""
        table = look.table
        if self.quick:  # neighbours are too far apart to tell how fast the light moves
            table = replace(table, smear_px=np.full(len(table.smear_px), nan))
        return replace(
            self,
            look=look,
            registration=look.registration,
            rest=look.ambient,
            table=table,
            rest_frames=max(1, int(look.lamp_off.sum())),
        )

    @property
    def unlit(self) -> NDArray[np.bool_]:
        """(n,) frames without a carried lamp."""
        return np.ones(len(self.proxies), bool) if self.look is None else self.look.lamp_off
