"""Print how the default plate stands against the truth of made rooms.

    python tests/bench/truth.py [SEED ...]            # judged seeds by default
    python tests/bench/truth.py --kind deep_red 101

Truth is what a perfect observer would get from the same sweep: noise-free, unmoved frames minus ambient,
the lamp (with a 3 px rim) and its carrier truly masked, accumulated by maximum. Beside ours stand the
noise-free maximum over the same key frames with true masks (what the choice alone costs), the plain
maximum of every filmed frame with true masks and no help with noise, and two ways by hand without masks.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from contextlib import contextmanager
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[i]) for i in (1, 2)]

from made import JUDGED_SEEDS, make_room, truth_plate, truth_reached  # noqa: E402
from made.movies import write_movie  # noqa: E402

from lightstack.files.plates import read_exr  # noqa: E402
from lightstack.jobs.options import PlateOptions  # noqa: E402
from lightstack.jobs.plate import make_plate  # noqa: E402

KINDS = {
    "plain": {},
    "deep_red": {"gel": "red"},
    "pale_blue": {"gel": "blue", "backwards": True},
    "dim_corner": {"dim_corner": True},
    "big_carrier": {"big_carrier": True},
    "unreached": {"unreached": True},
    "422": {"chroma": "422"},
    "no_bump": {"bump_px": 0.0, "turn_deg": 0.0},
}
LIMIT = 0.95


class Unwatched:
    """Progress without a watcher."""

    @contextmanager
    def step(self, name, total):
        yield self

    def advance(self, count=1):
        pass

    def say(self, line, *, level=0):
        pass


def compare(plate, truth, hole):
    """Relative mean error, signed error of the darkest fifth, share of grossly wrong pixels."""
    a, b = np.minimum(plate, LIMIT), np.minimum(truth, LIMIT)
    seen = ~hole
    level = b.mean(-1)
    dark = seen & (level <= np.quantile(level[seen], 0.2))
    wrong = (np.abs(a - b) > 0.05) & (np.abs(a - b) > 0.5 * b)
    return (
        np.abs(a - b)[seen].mean() / b[seen].mean(),
        (a - b)[dark].mean(),
        b[dark].mean(),
        wrong.any(-1)[seen].mean(),
    )


def filmed_registered(room, k):
    """Frame k minus ambient as filmed, put back with the true pose."""
    import cv2

    centre = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1.0]])
    matrix = np.linalg.inv(centre) @ room.poses[k] @ centre
    size = room.size[::-1]
    flags = cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP
    return cv2.warpPerspective(room.filmed(k), matrix, size, flags=flags) - room.ambient


def plain_maximum(room, frames, *, masked):
    """Per-channel maximum of filmed frames, with true poses and masks or with neither."""
    best = np.zeros(room.ambient.shape, np.float32)
    for k in frames:
        light = filmed_registered(room, k) if masked else room.filmed(k) - room.ambient
        best = np.maximum(best, np.where(room.blocked[k][..., None], 0, light) if masked else light)
    return best


def judge_room(seed, kind, max_keys):
    """Build one room's plate and print its row."""
    room = make_room(seed, **KINDS[kind])
    with tempfile.TemporaryDirectory() as scratch:
        movie = write_movie(room, Path(scratch) / "sweep.mkv")
        out = Path(scratch) / "out"
        start = time.perf_counter()
        options = PlateOptions(max_keys=max_keys)
        result = make_plate([movie], empty=None, out=out, options=options, progress=Unwatched())
        seconds = time.perf_counter() - start
        channels = read_exr(out / "plate.exr")
        reach = read_exr(out / "light_stack.exr", "reach")["Y"] > 0.5
        rows = (out / "key_frames.csv").read_text().splitlines()[1:]
    plate = np.stack([channels[c] for c in "RGB"], -1).astype(np.float32)
    keys = [int(row.split(",")[2]) - 1 for row in rows]
    truth, hole = truth_plate(room)
    error, dark, dark_level, gross = compare(plate, truth, hole)
    sigma = float(np.sqrt(room.noise[0] * max(room.ambient.mean(), 0) + room.noise[1]))
    best_choice, _ = truth_plate(room, keys)
    lit = np.flatnonzero(room.lamp_on)
    even = lit[np.linspace(0, len(lit) - 1, 24).astype(int)]
    true_reach = truth_reached(room)
    either = (~reach | ~true_reach).sum()
    iou = (~reach & ~true_reach).sum() / either if either > 30 else float("nan")
    print(
        f"{kind:12s} {seed:4d} keys {len(keys):2d} cov {result.numbers['sweep']['coverage']:>6s} "
        f"error {error:.3f} (choice alone {compare(best_choice, truth, hole)[0]:.3f}, "
        f"true masks {compare(plain_maximum(room, lit, masked=True), truth, hole)[0]:.3f}, "
        f"24 even by hand {compare(plain_maximum(room, even, masked=False), truth, hole)[0]:.3f}) "
        f"dark fifth {dark / max(dark_level, 1e-9):+.1%} = {dark / sigma:+.2f} sigma, gross {gross:.2%}, "
        f"holes {hole.mean():.2%}, unreached IoU {iou:.2f}, {seconds:.1f} s",
        flush=True,
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("seeds", type=int, nargs="*", default=list(JUDGED_SEEDS))
    parser.add_argument("--kind", choices=[*KINDS, "all"], default="plain")
    parser.add_argument("--keys", type=int, default=32)
    args = parser.parse_args()
    for kind in KINDS if args.kind == "all" else [args.kind]:
        for seed in args.seeds:
            judge_room(seed, kind, args.keys)


if __name__ == "__main__":
    main()
