"""What a plate is judged against: made rooms and the demo, each with its truth.

Truth is what a perfect observer would get from the same sweep: noise-free, unmoved frames minus ambient, the lamp
(with a 3 px rim) and its carrier truly masked, accumulated by maximum.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from footage import camera
from footage.truth import read_light
from made import make_room, truth_plate, truth_reached
from made.movies import write_movie
from numpy.typing import NDArray
from scipy import ndimage

LIMIT = 0.95
DEMO = Path(__file__).resolve().parents[2] / "demo_footage"
KINDS = {
    "plain": {},
    "deep_red": {"gel": "red"},
    "pale_blue": {"gel": "blue", "backwards": True},
    "dim_corner": {"dim_corner": True},
    "big_carrier": {"big_carrier": True},
    "unreached": {"unreached": True},
    "422": {"chroma": "422"},
    "eight_red": {"bits": 8, "chroma": "420", "gel": "red", "noise": (5e-5, 5e-7)},
    "eight": {"bits": 8, "chroma": "420", "noise": (5e-5, 5e-7)},
    "no_bump": {"bump_px": 0.0, "turn_deg": 0.0},
}


@dataclass(frozen=True, eq=False)
class Truth:
    """A sweep's truth.

    ``plate`` (H, W, 3), ``hole`` (H, W) no frame was open, ``reached`` (H, W), ``sigma`` of one frame at the mean
    ambient. Frames with the lamp on: ``numbers`` (source frames), ``light`` (n, h, w, 3) and ``blocked`` (n, h, w),
    h = H or a whole part of it.
    """

    name: str
    movie: Path
    plate: NDArray
    hole: NDArray
    reached: NDArray
    sigma: float
    numbers: NDArray
    light: NDArray
    blocked: NDArray

    def take_maximum(self, indices) -> NDArray:
        """Maximum of some lit frames with true masks, (h, w, 3)."""
        best = np.zeros(self.light.shape[1:], np.float32)
        for i in indices:
            best = np.maximum(best, np.where(self.blocked[i][..., None], 0, self.light[i].astype(np.float32)))
        return best

    def score_choice(self, indices) -> float:
        """Mean error of that maximum against the same of every lit frame, relative to its mean."""
        whole, seen = np.minimum(self.take_maximum(range(len(self.light))), LIMIT), ~self.blocked.all(0)
        some = np.minimum(self.take_maximum(indices), LIMIT)
        return float(np.abs(some - whole)[seen].mean() / whole[seen].mean())

    def choose_greedily(self, count: int) -> list[int]:
        """Best key frames one by one, as the choice does it, but free of noise and with true masks."""
        gain = np.sqrt(np.maximum(self.light.astype(np.float32).mean(-1) - 3 * self.sigma, 0))
        gain[self.blocked] = 0
        chosen, best = [], np.zeros(gain.shape[1:], np.float32)
        for _ in range(min(count, len(gain))):
            scores = [np.maximum(g, best).sum() for g in gain]
            chosen.append(int(np.argmax(scores)))
            best = np.maximum(best, gain[chosen[-1]])
        return chosen


def open_room(seed: int, kind: str, folder: Path):
    """Film a made room into ``folder``; return its truth and the room."""
    room = make_room(seed, **KINDS[kind])
    plate, hole = truth_plate(room)
    lit = np.flatnonzero(room.lamp_on)
    sigma = float(np.sqrt(room.noise[0] * max(room.ambient.mean(), 0) + room.noise[1]))
    movie = write_movie(room, folder / "sweep.mkv")
    return Truth(f"{kind} {seed}", movie, plate, hole, truth_reached(room), sigma, lit + 1, room.clean[lit],
                 room.blocked[lit]), room  # fmt: skip


def open_demo() -> Truth:
    """The demo's sweep; its lit frames are kept at half size."""
    with np.load(DEMO / "truth" / "room.npz") as data, np.load(DEMO / "truth" / "masks.npz") as masks:
        plate, ambient = data["plate"].astype(np.float32), data["ambient"].astype(np.float32)
        seen = np.unpackbits(data["plate_seen"], axis=-1, count=plate.shape[1]).astype(bool)
        first, last = data["lit_frames"].tolist()
        lamp, carrier = (
            np.unpackbits(masks[name], axis=-1, count=plate.shape[1] // 2).astype(bool) for name in ("lamp", "carrier")
        )
    rim = np.hypot(*np.mgrid[-2:3, -2:3]) <= 2  # 3 px at full size reach into the second
    blocked = np.stack([ndimage.binary_dilation(m, rim) for m in lamp]) | carrier
    ambient = np.repeat(np.repeat(ambient, 2, 0), 2, 1)
    noise = np.sqrt(camera.NOISE_A * np.maximum(ambient, 0) + camera.NOISE_B)
    sigma = float(np.sqrt(camera.NOISE_A * ambient.mean() + camera.NOISE_B))
    reached = (plate >= 3 * noise).any(-1) & seen
    light = np.stack(list(read_light(DEMO / "truth" / "sweep_light.mkv"))).astype(np.float16)
    numbers = np.arange(first, last + 1)
    return Truth("demo", DEMO / "sweep.mov", plate, ~seen, reached, sigma, numbers, light, blocked)
