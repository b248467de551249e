"""How good and how fast grain is: ``python -m bench.grain FOLDER`` in ``tests``; prints figures, asserts nothing.

One frame of the demo's set is filmed 200 times by the demo's camera and codec; what single pixels do over these frames
is the truth that a profile of the first 100 is held against. A relit copy is held against frames that were truly lit.
The same with a made room by its lamp, and with 8-bit 4:2:0 H.264 whose frames lean on each other.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import av
import cv2
import numpy as np
from footage.camera import code_frame, expose, write_movie
from made.lit_figure import light_figure

from bench.speed import code, pack
from lightstack.cli.progress import TerminalProgress
from lightstack.core.grain.detail import detail_share
from lightstack.core.grain.topup import full_grain, top_up_grain
from lightstack.files.read.takes import open_take
from lightstack.files.shot.schema import TakeSettings
from lightstack.jobs.grain.grain import measure_grain
from lightstack.jobs.takes.footage import open_fitted
from lightstack.jobs.takes.options import BuildOptions

DEMO = Path(__file__).parents[2] / "demo_footage"
RENDERS = 200
INTER = "8 bit"  # 4:2:0, frames that lean on each other, CRF 18
QUALITIES = (14.5, 4.0, INTER)  # of the demo's codec, and one that leaves the sensor's noise nearly as it is
SEED, LIT_SEED, ROOM_SEED = 6101, 6102, 641


def clean_set():
    """The demo's set without noise enough to tell: the mean of a take, smoothed within its noise."""
    with open_take(DEMO / "empty_lit.mov") as take:
        mean = np.mean([take.linear(frame).copy() for frame in take.frames()], axis=0)
    return np.clip(cv2.bilateralFilter(mean.astype(np.float32), 5, 0.004, 2.0), 0, 1)


def lamp_room():
    """A made room and its lamp's light from one place."""
    made = light_figure(ROOM_SEED, size=(360, 640), lamps=3, crowd=False)
    return made.bare.astype(np.float32), made.plate.astype(np.float32)


def violet_spot(bare):
    """A light on the demo's set."""
    height, width = bare.shape[:2]
    y, x = np.mgrid[:height, :width]
    spot = np.exp(-((x - 200) ** 2 + (y - 150) ** 2) / 2 / 120.0**2)[..., None]
    return (spot * np.array([3.6, 1.4, 4.8]) * bare).astype(np.float32)


def film(path, picture, seed, quality, count):
    shots = (expose(picture, np.random.default_rng([seed, k])) for k in range(count))
    if quality == INTER:
        write_inter(path, shots, picture.shape[:2])
        return
    frames = map(code_frame, shots)
    write_movie(path, frames, size=picture.shape[:2], rate=24, quality=quality, timecode="01:00:00:00")


def write_inter(path, shots, size):
    """Write light as cameras of small makes do: 8-bit 4:2:0 H.264, a whole frame every second only."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=24, options={"crf": "18", "g": "24", "preset": "medium"})
        stream.height, stream.width, stream.pix_fmt = *size, "yuv420p"
        context = stream.codec_context
        context.color_range = context.colorspace = context.color_primaries = context.color_trc = 1
        for number, light in enumerate(shots):
            frame = pack(code(light, {"bits": 8, "chroma": "420"}), "yuv420p")
            frame.pts = number
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


def decode(path, count=None):
    with open_take(path) as take:
        for frame in take.frames(1, count):
            yield take.linear(frame)


def moments(frames):
    """Mean and variance of every pixel over frames."""
    count, total, squares = 0, 0.0, 0.0
    for frame in frames:
        frame = frame.astype(np.float64)
        count, total, squares = count + 1, total + frame, squares + frame * frame
    return total / count, (squares - total * total / count) / (count - 1)


def compare(made, truth, level, channel):
    """Write sigma made against true, by level."""
    cells = []
    for low in np.geomspace(0.002, 0.7, 14):
        here = (level >= low) & (level < low * 1.57)
        if here.sum() > 500:
            cells.append(f"{100 * low * 1.25:.2g} %: {np.sqrt(made[here].mean() / truth[here].mean()):.3f}")
    print(f"  {channel:5s} {'; '.join(cells)}")


def measure(path, use):
    settings, options = TakeSettings(path=(str(path),)), BuildOptions()
    opened = open_fitted(settings, (path,), name="take", size=None, working=None, options=options)
    with opened as fitted, TerminalProgress(quiet=True, verbosity=0) as progress:
        return measure_grain(fitted, use=use, progress=progress)


def judge(folder, quality, bare, light):
    film(folder / "bare.mov", bare, SEED, quality, RENDERS)
    film(folder / "lit.mov", np.clip(bare + light, 0, 1), LIT_SEED, quality, RENDERS // 3)
    profile = measure(folder / "bare.mov", (1, 100))
    mean, variance = moments(decode(folder / "bare.mov"))
    print(f"  sigma measured against {RENDERS} renders of one frame, by level")
    local = cv2.blur(mean, (3, 3))
    rich = detail_share(next(decode(folder / "bare.mov")), profile)
    rich = np.float32(1) if rich is None else rich
    for c, name in enumerate(("red", "green", "blue")):
        seen = local[..., c] <= profile.covered[c, 1]
        made = np.where(seen, profile.even_variance_at(c, local[..., c]) * rich, np.nan)
        compare(made[seen], variance[..., c][seen], local[..., c][seen], name)

    def relight():
        for k, hero in enumerate(decode(folder / "bare.mov", RENDERS // 3)):
            yield hero + light + top_up_grain(hero + light, hero, None, profile, seed=1, frame=k)

    truth_mean, truth = moments(decode(folder / "lit.mov"))
    _, made = moments(relight())
    print("  relit against truly lit, where light falls")
    lit = light.max(axis=2) > 0.3 * bare.max(axis=2)
    local = cv2.blur(truth_mean, (3, 3))
    for c, name in enumerate(("red", "green", "blue")):
        compare(made[..., c][lit], truth[..., c][lit], local[..., c][lit], name)
    return profile


def clock(profile):
    """A UHD frame on one core, against drawing as many normal numbers by numpy; run with NUMBA_NUM_THREADS=1."""
    cv2.setNumThreads(1)
    picture = np.random.default_rng(1).random((2160, 3840, 3), np.float32) * 0.4
    jobs = {
        "numpy normals": lambda k: np.random.default_rng(k).standard_normal(picture.shape, np.float32),
        "full grain": lambda k: full_grain(picture, profile, seed=1, frame=k),
        "top up": lambda k: top_up_grain(picture * 1.5, picture, None, profile, seed=1, frame=k),
    }
    for name, job in jobs.items():
        best = np.inf
        for k in range(4):
            start = time.process_time()
            job(k)
            best = min(best, time.process_time() - start)
        print(f"{name}: {best:.3f} s of one core")


def main() -> None:
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    bare = clean_set()
    places = {"the demo's set": (bare, violet_spot(bare)), "a made room": lamp_room()}
    for name, (set_only, light) in places.items():
        for quality in QUALITIES:
            print(f"{name}, {'CRF ' if quality != INTER else ''}{quality}", flush=True)
            profile = judge(folder, quality, set_only, light)
    clock(profile)


if __name__ == "__main__":
    main()
