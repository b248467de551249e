"""Print how finished light stands against the truth: room, figure and the figure's edge.

    python tests/bench/lit.py                     # the demo's three frames and made rooms
    python tests/bench/lit.py demo                # the demo alone
    python tests/bench/lit.py 621 622:amber       # these rooms, each with a gel

Three proofs, with the true mattes, so that light alone is judged:

(a) real lamps: the light of one place of the lamp, as a still of the sweep holds it, laid over the hero, against the
    hero filmed with the lamp there;
(b) the plate: against the largest lamp light of any place with that frame's figure, times a mix, over the hero;
(c) what a composite by hand has: the plate held back by a perfect matte, without noise, and no light on the figure;
    and what a stack by hand has: the largest lit frame screened over the hero.

Errors are mean absolute differences in linear light, thousandths of white, over the room, the figure (coverage above
0.5) and the edge (coverage between 0.02 and 0.98); in brackets relative to the truth's mean added light there. The bias
is ours over the truth on the figure, summed. The step: how far a line along the edge stands out beyond the line that
the truth has there, in standard deviations of one pixel, mean and largest tenth over pieces of the edge.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt

sys.path[:0] = [str(Path(__file__).resolve().parents[i]) for i in (1, 2)]

from footage.truth import read_light  # noqa: E402
from made.lit_figure import light_figure as draw_lit  # noqa: E402

from lightstack.core.colour.light import luminance_weights  # noqa: E402
from lightstack.core.matte.colour import take_set_out  # noqa: E402
from lightstack.core.matte.figure_light import light_figure, measure_levels  # noqa: E402
from lightstack.core.warp import warp_picture  # noqa: E402
from lightstack.files.read.takes import open_take  # noqa: E402
from lightstack.records import NoiseModel  # noqa: E402

DEMO = Path(__file__).parents[2] / "demo_footage"
MIX, LIMIT = 0.3, 0.95
NOISE = NoiseModel(np.full(3, 4e-4), np.full(3, 4e-6))  # of the made rooms
DEMO_NOISE = NoiseModel(np.full(3, 1e-4), np.full(3, 4e-7))  # of a full-size pixel
DEMO_PLACES, LAMPS, PLACES = (8, 27, 46, 65, 84), 14, (1, 4, 7, 10, 13)  # of the lamp's way, judged one by one
PIECE, LEAST = 12, 6  # side of a piece of the edge; pixels that each of its bands holds at least


@dataclass(frozen=True, eq=False)
class Case:
    """Pictures (H, W, 3): the hero as filmed, the set, the plate, the largest lit frame, the true light with the figure
    there; ``cover`` (H, W). ``single``: for places of the lamp, its light on the set, the same with the figure there,
    and where that is known (H, W)."""

    name: str
    hero: NDArray
    bare: NDArray
    plate: NDArray
    naive: NDArray
    lit: NDArray
    cover: NDArray
    single: tuple[tuple[NDArray, NDArray, NDArray], ...] = ()
    noise: NoiseModel = NOISE


def halve(picture: NDArray) -> NDArray[np.float32]:
    size = (picture.shape[1] // 2, picture.shape[0] // 2)
    return cv2.resize(np.asarray(picture, np.float32), size, interpolation=cv2.INTER_AREA)


def read_stills() -> dict[int, tuple[NDArray, NDArray]]:
    """The demo's light of single lamp places, and where neither lamp nor carrier hides it."""
    masks = np.load(DEMO / "truth" / "masks.npz")
    stills = {}
    for number, light in enumerate(read_light(DEMO / "truth" / "sweep_light.mkv")):
        if number in DEMO_PLACES:
            hidden = [np.unpackbits(masks[name][number], axis=-1) for name in ("lamp", "carrier", "reflection")]
            width = light.shape[1]
            seen = ~np.logical_or.reduce([one[:, :width] > 0 for one in hidden])
            seen = cv2.erode(seen.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
            stills[number] = np.minimum(light, LIMIT), seen
    return stills


def read_demo() -> list[Case]:
    """The demo's hero frames whose figure was lit by every lamp place, at half size, unmoved."""
    room, masks = np.load(DEMO / "truth" / "room.npz"), np.load(DEMO / "truth" / "masks.npz")
    with open_take(DEMO / "empty_lit.mov", name="empty_lit") as take:
        bare = halve(np.mean([take.linear(frame) for frame in take.frames()], axis=0))
    with open_take(DEMO / "sweep.mov", name="sweep") as take:
        naive = halve(np.maximum.reduce([take.linear(frame) for frame in take.frames()]))
    plate, boxes = halve(room["plate"].astype(np.float32)), room["figure_boxes"].tolist()
    stills = read_stills()
    light = [np.zeros((*plate.shape[:2], 3), np.float32) for _ in boxes]
    lone: list[dict[int, NDArray]] = [{} for _ in boxes]
    for number, tile in enumerate(read_light(DEMO / "truth" / "figure_light.mkv")):
        left = 0
        for whole, one, (y, x, height, width) in zip(light, lone, boxes, strict=True):
            part = np.minimum(tile[:height, left : left + width], LIMIT)
            whole[y : y + height, x : x + width] = np.maximum(whole[y : y + height, x : x + width], part)
            if number in stills:
                one[number] = np.zeros_like(whole)
                one[number][y : y + height, x : x + width] = part
            left += width
    numbers = room["figure_frames"].tolist()
    with open_take(DEMO / "hero.mov", name="hero") as take:
        frames = {f.number: take.linear(f) for f in take.read_frames(sorted(numbers))}
    cases = []
    for number, lit, one in zip(numbers, light, lone, strict=True):
        hero = halve(warp_picture(frames[number], room["hero_pose"][number - 1])[0])
        cover = masks["matte"][number - 1].astype(np.float32) / 255
        behind = 1 - cover[..., None]
        single = tuple((still, one[k] + behind * still, seen) for k, (still, seen) in stills.items())
        cases.append(Case(f"demo {number}", hero, bare, plate, naive, lit + behind * plate, cover, single, DEMO_NOISE))
    return cases


def read_room(seed: int, gel: str, cloth: tuple[float, float, float], place: int) -> Case:
    made = draw_lit(seed, size=(90, 160), lamps=LAMPS, gel=gel, cloth=cloth, place=place, keep=PLACES)
    cover, everywhere = made.cover.astype(np.float32), np.ones(made.cover.shape, bool)
    single = tuple((alone, together, everywhere) for alone, together in made.single)
    name = f"{seed} {gel} {cloth[0]:.2f}"
    return Case(name, made.filmed(), made.bare, made.plate, made.naive, made.lit, cover, single)


def lay(case: Case, plate: NDArray) -> tuple[NDArray, NDArray]:
    """Light of ours at full mix, and the same without any on the figure, (H, W, 3)."""
    hero, cover = case.hero.astype(np.float32), case.cover
    figure = take_set_out(hero, cover, case.bare.astype(np.float32), reach=1.0)
    levels = measure_levels(plate.astype(np.float32), hero, cover)
    on_figure = light_figure(figure, cover, levels, noise=case.noise, weights=luminance_weights("bt709"))
    behind = plate * (1 - cover[..., None])
    return behind + on_figure, behind


def judge_places(case: Case) -> list[tuple[str, list[str]]]:
    """Proof (a): errors of ours and of no light on the figure, each the mean over places of the lamp."""
    found: dict[str, list[list[float]]] = {"(a) ours": [], "(a) no figure light": []}
    for still, together, seen in case.single:
        for way, light in zip(found, lay(case, still), strict=True):
            found[way].append(measure(case, light, together, seen))
    return [(way, write(np.mean(rows, axis=0))) for way, rows in found.items() if rows]


def judge(case: Case) -> list[tuple[str, list[str]]]:
    """Errors by proof and way, in words."""
    ours, behind = lay(case, case.plate)
    hand = MIX * case.naive * (1 - np.clip(case.hero, 0, 1))
    ways = {"(b) ours": MIX * ours, "(c) no figure light": MIX * behind, "(c) screened by hand": hand}
    truth, everywhere = MIX * case.lit, np.ones(case.cover.shape, bool)
    rows = [(way, write(measure(case, light, truth, everywhere))) for way, light in ways.items()]
    return judge_places(case) + rows


def measure(case: Case, light: NDArray, truth: NDArray, seen: NDArray) -> list[float]:
    """Absolute error and the truth's light over room, figure and edge; light of both on the figure; mean and largest
    tenth of the step."""
    cover = case.cover
    places = [cover == 0, cover > 0.5, (cover > 0.02) & (cover < 0.98)]
    numbers = []
    for at in places:
        miss, there = np.abs(light - truth)[at & seen], np.abs(truth[at & seen])
        numbers += [float(miss.mean()), float(there.mean())]
    inside = places[1] & seen
    numbers += [float(light[inside].mean()), float(truth[inside].mean())]
    steps = find_steps(case, light, truth, seen)
    return [*numbers, float(steps.mean()), float(np.quantile(steps, 0.9))]


def find_steps(case: Case, light: NDArray, true_light: NDArray, seen: NDArray) -> NDArray:
    """How far the line along pieces of the edge stands out beyond the truth's own, in sigma of one pixel, (n,)."""
    weights, cover = luminance_weights("bt709"), case.cover
    ours, truth = case.hero + light, case.hero + true_light
    inner, outer = distance_transform_edt(cover >= 0.5), distance_transform_edt(cover < 0.5)
    depth = np.where(cover >= 0.5, inner - 0.5, 0.5 - outer)
    bands = [(np.abs(depth) < 1.5) & seen, (depth >= 2) & (depth < 5) & seen, (depth <= -2) & (depth > -5) & seen]
    rows, columns = (side // PIECE for side in cover.shape)

    def mean_of(picture: NDArray, band: NDArray) -> NDArray:
        tiles = (picture * band)[: rows * PIECE, : columns * PIECE].reshape(rows, PIECE, columns, PIECE)
        return tiles.sum(axis=(1, 3))

    counts = [mean_of(np.ones(cover.shape), band) for band in bands]
    enough = np.logical_and.reduce([count >= LEAST for count in counts])

    def line_of(picture: NDArray) -> NDArray:
        edge, inside, outside = (mean_of(picture, b) / np.maximum(n, 1) for b, n in zip(bands, counts, strict=True))
        return np.asarray(np.abs(edge - 0.5 * (inside + outside))[enough])

    level = (mean_of(truth @ weights, bands[0]) / np.maximum(counts[0], 1))[enough]
    sigma = case.noise.sigma(np.repeat(level[:, None], 3, axis=1)).mean(axis=1)
    return np.asarray(np.maximum(line_of(ours @ weights) - line_of(truth @ weights), 0) / sigma)


def write(numbers: list[float] | NDArray) -> list[str]:
    room, figure, edge = (f"{1000 * numbers[i]:5.1f} ({numbers[i] / numbers[i + 1]:.2f})" for i in (0, 2, 4))
    return [f"room {room}", f"figure {figure}", f"edge {edge}", f"bias {numbers[6] / numbers[7]:.2f}",
            f"step {numbers[8]:.1f}, {numbers[9]:.1f} sigma"]  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("names", nargs="*", default=["demo", "621:violet", "622:amber", "623:blue"])
    cases = []
    for name in parser.parse_args().names:
        if name == "demo":
            cases += read_demo()
            continue
        seed, _, gel = name.partition(":")
        for cloth, place in (((0.45, 0.42, 0.36), 0), ((0.05, 0.05, 0.06), 1), ((0.35, 0.12, 0.1), 1)):
            cases.append(read_room(int(seed), gel or "violet", cloth, place))
    for case in cases:
        for way, words in judge(case):
            print(f"{case.name:18s} {way:22s} {'  '.join(words)}", flush=True)


if __name__ == "__main__":
    main()
