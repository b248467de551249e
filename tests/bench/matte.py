"""Mattes against the truth: ours beside a plain difference, OpenCV's subtractors and pymatting on an automatic trimap.

    python tests/bench/matte.py [demo] [empty] [room:SEED] [photo:SEED] [--step N] [--pictures FOLDER]

Prints for each hero and way IoU (alpha >= 0.5, ours outside doubt as well), MSE, SAD, gradient error (Rhemann et al.
2009) per frame in the mean, and the standard deviation in time of alpha on still edges. pymatting is left out where it
is missing.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[1]))

from bench.mattes import Hero, judge, open_demo, rest_spread, shrink
from lightstack.core.matte.matte import FrameMatte, MatteFinder, finish_frame, learn_hero
from lightstack.core.noise import NoiseTally
from lightstack.core.warp import scale_pose, warp_picture
from lightstack.records import NoiseModel

SURVEY = 640
WINDOW = 2
Matte = NDArray[np.float32]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", default=["demo", "empty", "room:31", "photo:31"])
    parser.add_argument("--step", type=int, default=4, help="judge every Nth frame")
    parser.add_argument("--only", action="store_true", help="ours only")
    parser.add_argument("--pictures", type=Path)
    options = parser.parse_args()
    for name in options.names:
        hero = open_hero(name)
        numbers = list(range(0, hero.count, options.step))
        truths = [hero.truth(k) for k in numbers]
        print(f"{hero.name}: {hero.count} frames, {len(numbers)} judged")
        ways: dict[str, Callable[[Hero, list[int]], Iterator]] = {"ours": ours}
        if not options.only:
            ways |= {"difference": plain_difference, "MOG2": subtract_mog2, "KNN": subtract_knn}
            ways["pymatting"] = closed_form
        for way, make in ways.items():
            report(way, hero, numbers, truths, make, options.pictures)


def open_hero(name: str) -> Hero:
    if name in ("demo", "empty"):
        return open_demo("empty_lit" if name == "demo" else "empty")
    kind, seed = name.split(":")[:2]
    if kind == "room":
        from bench.mattes import open_room

        return open_room(int(seed), *name.split(":")[2:])
    from bench.mattes import open_photo

    return open_photo(int(seed), *name.split(":")[2:])


def report(way: str, hero: Hero, numbers: list[int], truths: list, make: Callable, pictures: Path | None) -> None:
    start, rows, mattes = time.perf_counter(), [], []
    try:
        made = list(make(hero, numbers))
    except ImportError as missing:
        print(f"  {way:12s} left out: {missing}")
        return
    for k, one, truth in zip(numbers, made, truths, strict=True):
        alpha = shrink(one.alpha if isinstance(one, FrameMatte) else one, truth)
        doubt = shrink(one.doubt, truth) if isinstance(one, FrameMatte) else None
        whole = judge(alpha, truth)
        rows.append({**judge(alpha, truth, doubt), "all": whole["inter"], "all_union": whole["union"]})
        mattes.append(alpha)
        if pictures is not None and way == "ours":
            name = hero.name.replace(",", "").replace(" ", "_")
            save_picture(pictures / f"{name}_{k:04d}.png", hero, k, one, truth)
    total = {key: sum(row[key] for row in rows) for key in rows[0]}
    spreads = [rest_spread(mattes[i : i + 3], truths[i : i + 3]) for i in range(0, len(mattes) - 2, 3)]
    known = [s for s in spreads if s == s]
    worst = min((r["inter"] / r["union"], n) for r, n in zip(rows, numbers, strict=True) if r["union"] > 50)
    print(
        f"  {way:12s} IoU {total['inter'] / total['union']:.4f} (all {total['all'] / total['all_union']:.4f},"
        f" worst {worst[0]:.3f} at {worst[1]})  MSE {total['mse'] / len(rows):.5f}  SAD {total['sad'] / len(rows):.3f}"
        f"  grad {total['grad'] / len(rows):.3f}  doubt {total['doubt'] / max(total['figure'], 1):.3f} of the figure"
        f"  still edges {np.mean(known) if known else float('nan'):.4f}  {time.perf_counter() - start:.1f} s"
    )


# --- ours ------------------------------------------------------------------------------------------


def measure_noise(hero: Hero, factor: int) -> NoiseModel:
    tally = NoiseTally(scale=factor)
    for k in range(0, hero.count - 1, max(1, hero.count // 30)):
        tally.add(small(hero.frame(k), factor), small(hero.frame(k + 1), factor))
    return tally.result()


def small(picture: NDArray, factor: int) -> NDArray[np.float32]:
    if factor == 1:
        return picture
    h, w = (side // factor for side in picture.shape[:2])
    return cv2.resize(picture[: h * factor, : w * factor], (w, h), interpolation=cv2.INTER_AREA)


def ours(hero: Hero, numbers: list[int]) -> Iterator[FrameMatte]:
    """Walk the hero as a job would: learn, then frame by frame in order."""
    factor = max(1, -(-max(hero.set_picture.shape[:2]) // SURVEY))
    full, low = measure_noise(hero, 1), measure_noise(hero, factor)
    spread = np.unique(np.linspace(0, hero.count - 1, 21).astype(int))
    sets: dict[bytes, tuple] = {}

    def at(k: int) -> tuple:
        pose = hero.pose(k)
        if pose.tobytes() not in sets:
            laid = hero.set_picture
            if not np.array_equal(pose, np.eye(3)):
                laid, inside = warp_picture(laid, np.linalg.inv(pose))
                laid = np.where(inside[..., None], laid, hero.set_picture)
            sets[pose.tobytes()] = laid, scale_pose(pose, factor), small(laid, factor)
        return sets[pose.tobytes()]

    places = [at(k)[1] for k in spread]
    learned = learn_hero([small(hero.frame(k), factor) for k in spread], [at(k)[2] for k in spread], low, poses=places)
    finders: dict[int, MatteFinder] = {}
    for k in range(hero.count):
        laid, pose, little = at(k)
        if id(laid) not in finders:
            finders[id(laid)] = MatteFinder(little, low, learned, pose=pose)
        finder = finders[id(laid)]
        window = [j for j in range(k - WINDOW, k + WINDOW + 1) if 0 <= j < hero.count and at(j)[0] is laid]
        mark = finder.mark([small(hero.frame(j), factor) for j in window], window.index(k))
        if k in numbers:
            yield finish_frame([hero.frame(j) for j in window], window.index(k), laid, mark=mark, noise=full)


# --- other ways ------------------------------------------------------------------------------------


def coded(picture: NDArray) -> NDArray[np.uint8]:
    return np.round(255 * np.clip(picture, 0, 1) ** (1 / 2.2)).astype(np.uint8)


def set_at(hero: Hero, k: int) -> NDArray[np.float32]:
    return warp_picture(hero.set_picture, np.linalg.inv(hero.pose(k)))[0]


def plain_difference(hero: Hero, numbers: list[int]) -> Iterator[Matte]:
    """Largest channel difference of display codes over 24 of 255, opened by 3 x 3."""
    for k in numbers:
        gap = cv2.absdiff(coded(hero.frame(k)), coded(set_at(hero, k))).max(axis=-1)
        yield cv2.morphologyEx((gap > 24).astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3))).astype(np.float32)


def _subtract(hero: Hero, numbers: list[int], method: object) -> Iterator[Matte]:
    rng = np.random.default_rng(1)
    for k in numbers:
        model, bare = method(), coded(set_at(hero, k)).astype(np.int16)
        for _ in range(20):  # the set with a camera's noise, to learn from
            noisy = np.clip(bare + np.round(rng.normal(0, 2, bare.shape)), 0, 255).astype(np.uint8)
            model.apply(noisy, learningRate=0.05)
        yield (model.apply(coded(hero.frame(k)), learningRate=0) == 255).astype(np.float32)


def subtract_mog2(hero: Hero, numbers: list[int]) -> Iterator[Matte]:
    return _subtract(hero, numbers, lambda: cv2.createBackgroundSubtractorMOG2(detectShadows=True))


def subtract_knn(hero: Hero, numbers: list[int]) -> Iterator[Matte]:
    return _subtract(hero, numbers, lambda: cv2.createBackgroundSubtractorKNN(detectShadows=True))


def closed_form(hero: Hero, numbers: list[int]) -> Iterator[Matte]:
    """pymatting's closed-form matte; the trimap from the plain difference, filled and opened, 4 pixels unknown."""
    from pymatting import estimate_alpha_cf

    for k, mask in zip(numbers, plain_difference(hero, numbers), strict=True):
        body = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (15, 15)))
        disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (9, 9))
        trimap = np.full(mask.shape, 0.5)
        trimap[cv2.erode(body, disc) > 0], trimap[cv2.dilate(body, disc) == 0] = 1, 0
        if (trimap == 1).any() and (trimap == 0).any():
            yield estimate_alpha_cf(coded(hero.frame(k)) / 255.0, trimap, cg_kwargs={"maxiter": 300}).astype(np.float32)
        else:
            yield body


def save_picture(path: Path, hero: Hero, k: int, matte: FrameMatte, truth: NDArray) -> None:
    """Frame, matte, truth, doubt, and the hero under a strongly coloured light held out by the matte."""
    path.parent.mkdir(parents=True, exist_ok=True)
    frame = hero.frame(k)
    large = cv2.resize(truth, frame.shape[1::-1])
    glow = 1.5 * set_at(hero, k) * np.array([0.9, 0.1, 1.2], np.float32) * (1 - matte.alpha[..., None])
    greys = (matte.alpha, large, matte.doubt, 0.5 + 0.5 * (matte.alpha - large))
    parts = [coded(frame), coded(frame + glow)]
    parts += [np.repeat(np.round(255 * np.clip(p, 0, 1)).astype(np.uint8)[..., None], 3, -1) for p in greys]
    rows = [np.concatenate(parts[i : i + 3], axis=1) for i in (0, 3)]
    cv2.imwrite(str(path), np.concatenate(rows)[..., ::-1])


if __name__ == "__main__":
    main()
