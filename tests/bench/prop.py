"""How well tossed things are pulled: ``python -m bench.prop FOLDER`` in ``tests``; prints figures, asserts nothing.

The demo's hat in three tries, against its painted coverage; and balls and boxes tossed through made rooms, several
tries each, against what they were made of.
"""

from __future__ import annotations

import sys
from contextlib import ExitStack
from pathlib import Path

import cv2
import numpy as np
from made.movies import write_movie
from made.tossed import BALL, BOX, EmptySet, draw_room, toss
from unwatched import Unwatched

from lightstack.files.shot.schema import TakeSettings
from lightstack.jobs.clean.clean import CleanTake
from lightstack.jobs.element.pull import ElementRequest, Wishes, open_tries, pull_frames, read_bare

DEMO = Path(__file__).parents[2] / "demo_footage"
ROOMS = ((71, BALL), (72, BOX), (73, BALL), (74, BOX))
SIZE = (216, 384)
HALF = 0.5


def take(path):
    return CleanTake(TakeSettings(path=(str(path),)), (Path(path),), Path(path).stem)


def pull(paths, empty, folder, *, pick=None, ends_inside=()):
    """Look at tries, rank them, and pull the picked one: (tries, frames)."""
    folder.mkdir(parents=True, exist_ok=True)
    request = ElementRequest(tries=tuple(map(take, paths)), wishes=Wishes(tuple(ends_inside)), pick=pick)
    with ExitStack() as opened:
        bare = read_bare(take(empty), folder, request, progress=Unwatched())
        tries = open_tries(request, bare, folder, opened, progress=Unwatched())
        return tries, list(pull_frames(tries, request, progress=Unwatched()))


def judge(alpha, cover):
    """Intersection over union, and the mean square error where either is."""
    some = (alpha > 0) | (cover > 0)
    return np.minimum(alpha, cover).sum() / np.maximum(alpha, cover).sum(), ((alpha - cover) ** 2)[some].mean()


def judge_hat(folder):
    truth = np.load(DEMO / "truth" / "masks.npz")["hat"].astype(np.float32) / 255
    for n in (1, 2, 3):
        paths = [DEMO / f"hat_{k}.mov" for k in (1, 2, 3)]
        _, frames = pull(paths, DEMO / "empty_lit.mov", folder / f"hat_{n}", pick=n)
        half = [cv2.resize(one.alpha, None, fx=HALF, fy=HALF, interpolation=cv2.INTER_AREA) for one in frames]
        covers = [truth[24 * (n - 1) + one.source_frame - 1] for one in frames]
        figures = np.mean([judge(*pair) for pair in zip(half, covers, strict=True)], axis=0)
        print(f"hat_{n}: {len(frames)} of 24 frames, IoU {figures[0]:.3f}, MSE {figures[1]:.4f}", flush=True)


def judge_room(seed, kind, folder):
    """One room: three tries, of which the second ends where it is wished."""
    bare = draw_room(seed, SIZE)
    ends = [(0.55, 0.8), (0.8, 0.62), (0.6, 0.7)]
    made = [
        toss(seed, k, size=SIZE, frames=28, kind=kind, bare=bare, hold=5 + k, end=end) for k, end in enumerate(ends)
    ]
    folder.mkdir(parents=True, exist_ok=True)
    empty = write_movie(EmptySet(seed, bare), folder / "empty.mkv", codec="libx264", options={"crf": "12"})
    options = {"crf": "12", "preset": "fast"}
    paths = [write_movie(m, folder / f"try_{k}.mkv", codec="libx264", options=options) for k, m in enumerate(made)]
    x, y = 0.8 * SIZE[1], 0.62 * SIZE[0]
    wish = ((x - 30, y - 30), (x + 30, y - 30), (x + 30, y + 30), (x - 30, y + 30))
    tries, frames = pull(paths, empty, folder / "scratch", ends_inside=wish)
    truth = made[tries.picked]
    figures = np.mean([judge(one.alpha, truth.cover[one.source_frame - 1]) for one in frames], axis=0)
    shade = [
        abs(one.shade - truth.shade[one.source_frame - 1])[truth.shade[one.source_frame - 1].min(-1) < 0.95]
        for one in frames
    ]
    none = [one.shade[truth.shade[one.source_frame - 1].min(-1) > 0.999] for one in frames]
    apart = [
        np.hypot(*(look.told.centres - m.path).T)[np.isfinite(look.told.centres[:, 0])]
        for look, m in zip(tries.looks, made, strict=True)
    ]
    late = [look.told.first - (m.release + 1) for look, m in zip(tries.looks, made, strict=True)]
    print(
        f"{kind} {seed}: IoU {figures[0]:.3f}, MSE {figures[1]:.4f}; shadow off by "
        f"{np.concatenate(shade).mean():.3f} where there is one, {abs(1 - np.concatenate(none)).mean():.5f} where "
        f"none; path {np.concatenate(apart).mean():.2f} px (worst "
        f"{np.concatenate(apart).max():.2f}); let go {late} frames "
        f"late; picked try {tries.picked} ({'right' if tries.picked == 1 else 'wrong'})",
        flush=True,
    )


def main(folder: Path) -> None:
    for seed, kind in ROOMS:
        judge_room(seed, kind, folder / f"room_{seed}")
    judge_hat(folder)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
