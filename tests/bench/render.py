"""Print what finished frames cost beside writing the same pictures as plain half-float EXR, and the memory they take.

    python tests/bench/render.py [FOLDER] [--frames 24] [--workers 2] [--size 3840x2160]

The hero is made once in FOLDER (default: a temporary one): a made room, enlarged, with noise at full size, as ProRes.
Light lies on every frame; nothing is held out and no grain is laid, so what is measured is the way of a frame itself:
decoding, laying, rounding, coding, writing. Beside it the same finished pictures, already in memory, are written by the
same number of threads. Machines are noisy: compare ratios of one run.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, nullcontext
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from made import make_room  # noqa: E402

from bench.memory import run_watched  # noqa: E402
from bench.speed import code, pack  # noqa: E402

SPEC = {"bits": 10, "chroma": "422"}
ELEMENTS = ("relit", "light", "hero_clean")
STILLS = 24  # between which a light travels


class Quiet:
    """Progress that nobody watches."""

    @contextmanager
    def step(self, name, total):
        yield self

    def advance(self, count=1):
        pass

    def say(self, line, *, level=0):
        pass


def make_hero(path: Path, size: tuple[int, int], frames: int) -> Path:
    """Enlarge a made room, give it noise at full size, and code it as ProRes."""
    if path.exists():
        return path
    room = make_room(3, frames=frames, lead=frames, bump_px=0.0, turn_deg=0.0)
    rng = np.random.default_rng(0)
    width, height = size
    grain = [rng.standard_normal((height, width, 3), dtype=np.float32) for _ in range(3)]
    with av.open(str(path), "w") as container:
        stream = container.add_stream("prores_ks", rate=Fraction(24), options={"profile": "3"})
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv422p10le"
        context = stream.codec_context
        context.color_range = context.colorspace = context.color_primaries = context.color_trc = 1
        for k in range(frames):
            light = cv2.resize(np.float32(room.seen(k)), (width, height), interpolation=cv2.INTER_CUBIC)
            light = np.maximum(light, 0) + grain[k % 3] * np.sqrt(4e-4 * np.maximum(light, 0) + 4e-6)
            frame = pack(code(light, SPEC), "yuv422p10le")
            frame.pts = k
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def make_light(size: tuple[int, int]) -> np.ndarray:
    """A lamp's light over the whole picture, falling off from a corner, half of it exactly dark."""
    width, height = size
    y, x = np.mgrid[:height, :width].astype(np.float32)
    fall = np.maximum(0.3 - np.hypot(x / width, y / height) * 0.45, 0)
    return np.repeat(fall[..., None], 3, axis=-1) * np.float32([1.0, 0.4, 0.7])


def make_travelling(folder: Path, size: tuple[int, int], count: int):
    """A light that travels along a wall between 24 stills in ``count`` frames, each still with a hole of its own."""
    from lightstack.core.lamp.model import look_along
    from lightstack.core.lamp.travel import plan_travel
    from lightstack.files.kept.stack import StackShape, create_stack, open_stack
    from lightstack.jobs.light.lamp_places import StillPlaces
    from lightstack.jobs.light.travel import TravellingLight
    from lightstack.records import LampPlaces, LampView, LitSet

    width, height = size
    path = folder / f"stills_{width}.exr"
    if not path.with_suffix(".json").exists():
        stack = create_stack(path, StackShape(height, width, STILLS, guides=0))
        light = make_light(size)
        for k in range(STILLS):
            valid = np.ones((height, width), np.float32)
            valid[height // 3 :, k * width // STILLS :][: height // 2, : width // 8] = 0
            for band in range(stack.shape.bands):
                rows = stack.rows_of(band)
                moved = np.roll(light[rows], k * width // STILLS, axis=1)
                stack.write_light(band, k, moved, valid[rows])
        stack.flush()
    places = np.column_stack([np.linspace(-1.5, 1.5, STILLS), np.zeros(STILLS), np.full(STILLS, 1.5)])
    way = np.column_stack([np.linspace(-1.5, 1.5, count), np.full(count, 0.1), np.full(count, 1.4)])
    patches = (18, 32)
    rays = look_along(patches, 0.5)
    facing = np.tile([0.0, 0.0, -0.5], (len(rays), 1))
    lit_set = LitSet(np.ones(patches, bool), rays, np.full(len(rays), 2.0), facing, np.full(len(rays), 0.02), 1e-3)
    some = np.zeros(0)
    view = LampView((height, width), 0.5, 1.0, 3.0)
    found = LampPlaces(np.zeros(0, np.int64), np.zeros((0, 2)), np.zeros((0, 3)), some, some, some, True, view, lit_set)
    known = StillPlaces(found, places, (), ())
    weights = plan_travel(places, way).weights
    return TravellingLight(open_stack(path), weights, way, known, 1001, lambda light: light)


class Ellipse:
    """Somebody who walks across the picture: an ellipse with soft edges."""

    def __init__(self, size: tuple[int, int]) -> None:
        width, height = size
        self.y, self.x = np.mgrid[:height, :width].astype(np.float32) / height

    def alpha_at(self, shot_frame: int) -> np.ndarray:
        middle = 0.5 + 0.03 * (shot_frame - 1001)
        away = np.hypot((self.x - middle) / 0.18, (self.y - 0.6) / 0.4)
        return np.clip((1 - away) * 40, 0, 1).astype(np.float32)

    def figure_at(self, shot_frame: int, hero: np.ndarray) -> np.ndarray:
        return hero * self.alpha_at(shot_frame)[..., None]


def make_whole(size: tuple[int, int]) -> dict:
    """Hold-out, light on the figure and grain, as a shot has them by default."""
    from grain_helpers import make_ramp, profile_of

    from lightstack.jobs.grain.camera import CameraGrain
    from lightstack.jobs.holdout.figure_light import FigureRelight
    from lightstack.records import GrainDetail, NoiseModel

    profile = profile_of(make_ramp())
    beside = tuple(np.ones(len(one)) for one in profile.levels)
    detail = GrainDetail(0.45, np.array([0.005, 0.05]), np.array([0.5, 2.0]), beside)
    held = Ellipse(size)
    relight = FigureRelight(held, NoiseModel(profile.a, profile.b), "bt709")
    return {"held": held, "figure_light": relight, "grain": CameraGrain(replace(profile, detail=detail), 1.0, 1)}


def read_clocks() -> np.ndarray:
    """Seconds of wall and of all processors; the second is the steadier one where others work too."""
    return np.array([time.perf_counter(), time.process_time()])


def render(
    hero_path: Path, folder: Path, *, workers: int, size: tuple[int, int], movie: bool = False, whole: bool = False,
    travels: bool = False,
) -> np.ndarray:  # fmt: skip
    """Render every frame with its elements; return seconds of wall and of processor.

    ``whole``: with hold-out, light on the figure and grain. ``travels``: by a light that travels between stills.
    """
    from lightstack.files.folder import claim_folder
    from lightstack.files.kept.identity import StageBook
    from lightstack.files.kept.ledger import FrameLedger
    from lightstack.files.read.takes import open_take
    from lightstack.jobs.frame.element_sink import ElementSink
    from lightstack.jobs.frame.hero_pass import walk_hero
    from lightstack.jobs.frame.movie_sink import MovieSink
    from lightstack.jobs.frame.shot_frames import FrameMaker, LaidLight
    from lightstack.jobs.stage.finish import Delivery
    from lightstack.records import MixCurve, Registration, Stretch

    out = claim_folder(folder)
    delivery = Delivery(out, "shot", "shot_", "_v001", False, StageBook(out))
    with open_take(hero_path) as hero:
        count = hero.info.frame_count
        light = make_travelling(folder.parent, size, count) if travels else make_light(size)
        lamp = LaidLight("lamp", light, MixCurve(1001, np.full(count, 0.7)), "plus", 1.0, float(whole))
        maker = FrameMaker([lamp], **(make_whole(size) if whole else {}))
        ledger = FrameLedger(out.scratch_folder("frames") / "written.json", out, {"bench": time.time()})
        sink = ElementSink(
            delivery, ledger, lambda: maker, ELEMENTS, only=range(1001, 1001 + count), working="bt709", white=None
        )
        film = MovieSink(folder / "relit", hero, codec="auto", frames=(1, count)) if movie else None
        still = Registration("hero", "none", (Stretch(1, count, np.eye(3), True, 0.0, 0.01, count),))
        begin = read_clocks()
        with film or nullcontext():
            walk_hero(
                hero, maker, [sink, *([film] if film else [])], frames=(1001, 1000 + count), first_frame=1001,
                registration=still, workers=workers, progress=Quiet(),
            )  # fmt: skip
        return read_clocks() - begin


def write_plain(folder: Path, made: Path, *, count: int, workers: int) -> np.ndarray:
    """Write pictures of the finished frames with ZIP, as many as a render writes; return seconds as `render` does."""
    from lightstack.files.write.plates import read_exr, write_exr

    pictures = []
    for element in ELEMENTS:
        channels = read_exr(made / f"shot_{element}_v001.1001.exr")
        pictures.append(np.stack([channels[c] for c in "RGB"], axis=-1))
    begin = read_clocks()
    with ThreadPoolExecutor(workers) as pool:
        jobs = [
            pool.submit(write_exr, folder / f"plain{k}_{e}.exr", pictures[e], primaries="bt709", compression="zip")
            for k in range(count)
            for e in range(len(pictures))
        ]
        for job in jobs:
            job.result()
    return read_clocks() - begin


def measure(folder: Path, size: tuple[int, int], frames: int, workers: int) -> None:
    """Print the figures."""
    hero = make_hero(folder / f"hero_{size[0]}_{frames}.mov", size, frames)
    out, plain = folder / "frames", folder / "plain"
    plain.mkdir(exist_ok=True)
    render(hero, out, workers=workers, size=size)  # compiles the loops, warms the disk
    taken = render(hero, out, workers=workers, size=size)
    beside = write_plain(plain, out, count=frames, workers=workers)
    print(f"{frames} frames of {size[0]} x {size[1]}, {len(ELEMENTS)} elements each, {workers} workers")
    for clock, ours, theirs in zip(("wall", "processor"), taken, beside, strict=True):
        print(f"  {clock}: render {ours:.1f} s, writing the same pictures {theirs:.1f} s: ratio {ours / theirs:.2f}")
    command = [sys.executable, __file__, str(folder), "--only", str(hero), "--workers", str(workers)]
    whole = ("with hold-out, light on the figure and grain too", ("--whole",))
    for words, more in (("with the movie", ()), whole, ("and a light that travels", ("--whole", "--travels"))):
        ran, peak = run_watched([*command, "--size", f"{size[0]}x{size[1]}", *more])
        said = f"peak {peak:.0f} MiB" if peak is not None else "peak unknown"
        print(f"  in a process of its own, {words}: {said}{'' if ran.returncode == 0 else ran.stderr}")


def main() -> None:
    """Read the options and measure."""
    reader = argparse.ArgumentParser()
    reader.add_argument("folder", nargs="?", type=Path)
    reader.add_argument("--frames", type=int, default=24)
    reader.add_argument("--workers", type=int, default=2)
    reader.add_argument("--size", default="3840x2160")
    reader.add_argument("--only", type=Path, help=argparse.SUPPRESS)
    reader.add_argument("--whole", action="store_true", help=argparse.SUPPRESS)
    reader.add_argument("--travels", action="store_true", help=argparse.SUPPRESS)
    options = reader.parse_args()
    size = tuple(int(side) for side in options.size.split("x"))
    with tempfile.TemporaryDirectory() as spare:
        folder = options.folder or Path(spare)
        folder.mkdir(parents=True, exist_ok=True)
        if options.only:
            render(
                options.only, folder / "only", workers=options.workers, size=size, movie=True, whole=options.whole,
                travels=options.travels,
            )  # fmt: skip
        else:
            measure(folder, size, options.frames, options.workers)


if __name__ == "__main__":
    main()
