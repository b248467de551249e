"""Print how finished light stands against the truth: room, figure and the figure's edge.

    python tests/bench/lit.py                     # the demo's three frames and made rooms
    python tests/bench/lit.py demo                # the demo alone
    python tests/bench/lit.py 621 622:amber       # these rooms, each with a gel

Truth: the largest lamp light of any lamp place with that frame's figure, times a mix, over the hero; mattes are the
true ones, so that light alone is judged. Ways: ours; the plate held back by a perfect matte and no light on the figure,
as a composite by hand has it; the largest lit frame screened over the hero, as a stack by hand has it. Errors are mean
absolute differences in linear light over the figure (coverage above 0.5), over the room, and over the edge (coverage
between 0.02 and 0.98), relative to the truth's mean added light there; the bias is ours over the truth, summed.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

sys.path[:0] = [str(Path(__file__).resolve().parents[i]) for i in (1, 2)]

from footage.truth import read_light  # noqa: E402
from made.lit_figure import light_figure as draw_lit  # noqa: E402

from lightstack.core.figure_light import light_figure, measure_levels  # noqa: E402
from lightstack.core.light import luminance_weights  # noqa: E402
from lightstack.core.matte_colour import take_set_out  # noqa: E402
from lightstack.core.warp import warp_picture  # noqa: E402
from lightstack.files.takes import open_take  # noqa: E402
from lightstack.records import NoiseModel  # noqa: E402

DEMO = Path(__file__).parents[2] / "demo_footage"
MIX, LIMIT = 0.3, 0.95
NOISE = NoiseModel(np.full(3, 4e-4), np.full(3, 4e-6))


@dataclass(frozen=True, eq=False)
class Case:
    """Pictures (H, W, 3): the hero as filmed, the set, the plate, the largest lit frame, the true light with the figure
    there; ``cover`` (H, W)."""

    name: str
    hero: NDArray
    bare: NDArray
    plate: NDArray
    naive: NDArray
    lit: NDArray
    cover: NDArray


def halve(picture: NDArray) -> NDArray[np.float32]:
    size = (picture.shape[1] // 2, picture.shape[0] // 2)
    return cv2.resize(np.asarray(picture, np.float32), size, interpolation=cv2.INTER_AREA)


def read_demo() -> list[Case]:
    """The demo's hero frames whose figure was lit by every lamp place, at half size, unmoved."""
    room, masks = np.load(DEMO / "truth" / "room.npz"), np.load(DEMO / "truth" / "masks.npz")
    with open_take(DEMO / "empty_lit.mov", name="empty_lit") as take:
        bare = halve(np.mean([take.linear(frame) for frame in take.frames()], axis=0))
    with open_take(DEMO / "sweep.mov", name="sweep") as take:
        naive = halve(np.maximum.reduce([take.linear(frame) for frame in take.frames()]))
    plate, boxes = halve(room["plate"].astype(np.float32)), room["figure_boxes"].tolist()
    light = [np.zeros((*plate.shape[:2], 3), np.float32) for _ in boxes]
    for tile in read_light(DEMO / "truth" / "figure_light.mkv"):
        left = 0
        for whole, (y, x, height, width) in zip(light, boxes, strict=True):
            part = np.minimum(tile[:height, left : left + width], LIMIT)
            whole[y : y + height, x : x + width] = np.maximum(whole[y : y + height, x : x + width], part)
            left += width
    numbers = room["figure_frames"].tolist()
    with open_take(DEMO / "hero.mov", name="hero") as take:
        frames = {f.number: take.linear(f) for f in take.read_frames(sorted(numbers))}
    cases = []
    for number, lit in zip(numbers, light, strict=True):
        hero = halve(warp_picture(frames[number], room["hero_pose"][number - 1])[0])
        cover = masks["matte"][number - 1].astype(np.float32) / 255
        cases.append(Case(f"demo {number}", hero, bare, plate, naive, lit + (1 - cover[..., None]) * plate, cover))
    return cases


def read_room(seed: int, gel: str, cloth: tuple[float, float, float], place: int) -> Case:
    made = draw_lit(seed, size=(90, 160), lamps=14, gel=gel, cloth=cloth, place=place)
    cover = made.cover.astype(np.float32)
    return Case(f"{seed} {gel} {cloth[0]:.2f}", made.filmed(), made.bare, made.plate, made.naive, made.lit, cover)


def judge(case: Case) -> dict[str, list[float]]:
    """Errors over figure, room and edge by way."""
    hero, cover = case.hero.astype(np.float32), case.cover
    figure = take_set_out(hero, cover, case.bare.astype(np.float32), reach=1.0)
    levels = measure_levels(case.plate.astype(np.float32), hero, cover)
    on_figure = light_figure(figure, cover, levels, noise=NOISE, weights=luminance_weights("bt709"))
    behind = case.plate * (1 - cover[..., None])
    ways = {
        "ours": MIX * (behind + on_figure),
        "no figure light": MIX * behind,
        "screened by hand": MIX * case.naive * (1 - np.clip(hero, 0, 1)),
    }
    places = {"figure": cover > 0.5, "room": cover == 0, "edge": (cover > 0.02) & (cover < 0.98)}
    truth = MIX * case.lit
    result = {way: [relative(light, truth, at) for at in places.values()] for way, light in ways.items()}
    inside = places["figure"]
    result["bias"] = [float(ways["ours"][inside].sum() / truth[inside].sum())]
    return result


def relative(light: NDArray, truth: NDArray, at: NDArray) -> float:
    return float(np.abs(light - truth)[at].sum() / truth[at].sum())


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
        found = judge(case)
        words = [f"{way} {' '.join(f'{x:.3f}' for x in errors)}" for way, errors in found.items()]
        print(f"{case.name:18s} " + "  ".join(words), flush=True)


if __name__ == "__main__":
    main()
