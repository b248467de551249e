"""Render what the camera model and the truth need: ``python -m footage.paint_takes OUT PART...``.

Parts: ``lamp`` (each lit sweep frame by the lamp alone), ``cover`` (what the carrier takes from or adds to
the ambient light), ``still`` (the room without people, by its own lights, by the lamp at places the sweep
does not visit), ``hero``, ``hat``, ``figure`` (hero frames lit from every lamp place). Written for one
large GPU (variant ``cuda_ad_rgb``), about twenty minutes; ``--variant llvm_ad_rgb`` works, slowly.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from pathlib import Path

import mitsuba as mi
import numpy as np
from numpy.typing import NDArray

from footage import takes
from footage.pack import write_pictures

FULL = (takes.HEIGHT + 2 * takes.MARGIN, takes.WIDTH + 2 * takes.MARGIN)
AMBIENT_SEED, FIXED_SEED = 7, 9007


def paint_lamp(out: Path, samples: int) -> None:
    """The sweep by the lamp alone, with its carrier, and the masks of both."""
    from footage import people, render, scene

    stage = scene.load_stage("lamp", bodies=("carrier",), lamp=True)
    scene.place_hat(stage, people.pose_hat(0, 0))
    pictures, masks = [], []
    for index in range(takes.SWEEP_LIT):
        pose, lamp = people.pose_carrier(takes.sweep_share(index))
        scene.place_body(stage, "carrier", pose)
        scene.place_lamp(stage, lamp, stick=True)
        stage.params.update()
        pictures.append(_render(stage, samples, 100_000 + 1000 * index))
        masks.append(
            render.find_shapes(stage.scene, ("carried_lamp", "carrier", "stick"), size=FULL, full_width=takes.WIDTH)
        )
    write_pictures(out, "lamp", pictures)
    write_pictures(out, "lamp_masks", masks)


def paint_cover(out: Path, samples: int) -> None:
    """Ambient light with the carrier, less the ambient light without: zero where nothing changes."""
    from footage import people, scene

    stage = scene.load_stage("room", bodies=("carrier",), lamp=True)
    scene.place_hat(stage, people.pose_hat(0, 0))
    stage.params.update()
    clear = _render(stage, samples, AMBIENT_SEED)
    pictures = []
    for index in range(takes.SWEEP_LIT):
        pose, lamp = people.pose_carrier(takes.sweep_share(index))
        scene.place_body(stage, "carrier", pose)
        scene.place_lamp(stage, lamp, stick=True)
        stage.params.update()
        pictures.append(_render(stage, samples, AMBIENT_SEED) - clear)
    write_pictures(out, "cover", pictures)


def paint_still(out: Path, samples: int) -> None:
    """The empty room: ambient, with the fixed lamps, and by the lamp at unvisited places."""
    from footage import people, scene

    pictures = []
    for lights, seed in (("room", AMBIENT_SEED), ("fixed", FIXED_SEED)):
        stage = scene.load_stage(lights)
        scene.place_hat(stage, people.pose_hat(0, 0))
        stage.params.update()
        pictures.append(_render(stage, 4 * samples, seed))
    stage = scene.load_stage("lamp")
    scene.place_hat(stage, people.pose_hat(0, 0))
    for index, place in enumerate(takes.FRESH_LAMPS):
        scene.place_lamp(stage, np.array(place), stick=False)
        stage.params.update()
        pictures.append(_render(stage, samples, 50_000 + 1000 * index))
    write_pictures(out, "still", pictures)


def paint_hero(out: Path, samples: int) -> None:
    """The hero take, less the room without the figure, and the figure's matte."""
    from footage import people, render, scene

    stage = scene.load_stage("fixed", bodies=("hero",))
    scene.place_hat(stage, people.pose_hat(0, 0))
    stage.params.update()
    clear = _render(stage, samples, FIXED_SEED)
    pictures, mattes = [], []
    for index in range(takes.HERO_FRAMES):
        scene.place_body(stage, "hero", people.pose_hero(takes.hero_share(index)))
        stage.params.update()
        pictures.append(_render(stage, samples, FIXED_SEED) - clear)
        mattes.append(render.find_shapes(stage.scene, ("hero", "stand"), size=FULL, full_width=takes.WIDTH))
    write_pictures(out, "hero", pictures)
    write_pictures(out, "hero_mattes", mattes)


def paint_hat(out: Path, samples: int) -> None:
    """The three tries of the falling hat, less the room with the hat on its peg."""
    from footage import people, render, scene

    stage = scene.load_stage("fixed")
    scene.place_hat(stage, people.pose_hat(0, 0))
    stage.params.update()
    clear = _render(stage, samples, FIXED_SEED)
    pictures, mattes = [], []
    for attempt in range(1, takes.TRIES + 1):
        for index in range(takes.TRY_FRAMES):
            scene.place_hat(stage, people.pose_hat(index / takes.RATE, attempt))
            stage.params.update()
            pictures.append(_render(stage, samples, FIXED_SEED) - clear)
            mattes.append(render.find_shapes(stage.scene, ("hat",), size=FULL, full_width=takes.WIDTH)[..., :1])
    write_pictures(out, "hat", pictures)
    write_pictures(out, "hat_mattes", mattes)


def paint_figure(out: Path, samples: int) -> None:
    """Boxes round the figure in three hero frames, by the lamp alone at each of the sweep's lamp places, no carrier."""
    from footage import people, render, scene

    stage = scene.load_stage("lamp", stand=True, bodies=("hero",))
    scene.place_hat(stage, people.pose_hat(0, 0))
    pictures = []
    for number, box in zip(takes.TRUTH_HERO_FRAMES, takes.FIGURE_BOXES, strict=True):
        scene.place_body(stage, "hero", people.pose_hero(takes.hero_share(number - 1)))
        for index in range(takes.SWEEP_LIT):
            scene.place_lamp(stage, people.pose_carrier(takes.sweep_share(index))[1], stick=False)
            stage.params.update()
            seed = 300_000 + 1000 * (100 * number + index)
            pictures.append(
                render.render(
                    stage.scene,
                    size=(takes.HEIGHT, takes.WIDTH),
                    full_width=takes.WIDTH,
                    samples=samples,
                    seed=seed,
                    batch=min(256, samples),
                    box=(2 * box[0], 2 * box[1], 2 * box[2], 2 * box[3]),
                )
            )
    write_pictures(out, "figure", pictures)


def _render(stage: object, samples: int, seed: int) -> NDArray[np.float32]:
    from footage import render

    return render.render(stage.scene, size=FULL, full_width=takes.WIDTH, samples=samples, seed=seed)  # type: ignore[attr-defined]


# part -> (what paints it, samples a pixel)
PARTS: dict[str, tuple[Callable[[Path, int], None], int]] = {
    "lamp": (paint_lamp, 1024),
    "cover": (paint_cover, 512),
    "still": (paint_still, 1024),
    "hero": (paint_hero, 512),
    "hat": (paint_hat, 256),
    "figure": (paint_figure, 2048),
}


def main() -> None:
    """Paint the parts named on the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("parts", nargs="+", choices=PARTS)
    parser.add_argument("--variant", default="cuda_ad_rgb")
    parser.add_argument("--thin", type=int, default=1, help="divide the samples by this, for a first look")
    wanted = parser.parse_args()
    mi.set_variant(wanted.variant)
    wanted.out.mkdir(parents=True, exist_ok=True)
    for part in wanted.parts:
        began = time.monotonic()
        paint, samples = PARTS[part]
        paint(wanted.out, max(samples // wanted.thin, 1))
        print(f"{part}: {time.monotonic() - began:.0f} s", flush=True)


if __name__ == "__main__":
    main()
