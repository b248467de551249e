"""Print how fast frames are reduced, and how clean the plates are: ``python tests/bench/clean.py [--clip FILE]``.

Reduction beside numpy's median and ffmpeg's ``tmedian`` on the same frames; `clean` from end to end beside decoding
alone; then plates beside a plain numpy median, ccdproc's sigma clip and OpenCV's background pictures, on made takes
against their truth and on a street clip (first half against second; ``vtest.avi`` of Debian's ``opencv-doc``).

Figures: AGE, the average grey level error of 8-bit codes; pEPs, the share of pixels off by more than 20; MS-SSIM
and PSNR, higher is better (Maddalena and Petrosino 2015, "Towards benchmarking scene background initialization").
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from fractions import Fraction
from functools import partial
from pathlib import Path

import av
import cv2
import numpy as np

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from made.movies import pack_frame  # noqa: E402
from made.standing import make_standing, sway  # noqa: E402
from unwatched import Unwatched  # noqa: E402

from lightstack.core.clean.median import reduce_frames  # noqa: E402
from lightstack.core.colour.display import display_srgb  # noqa: E402
from lightstack.files.read.takes import open_take  # noqa: E402
from lightstack.files.shot.schema import TakeSettings  # noqa: E402
from lightstack.jobs.clean.clean import CleanRequest, CleanTake, make_clean  # noqa: E402

COUNT, SIZE = 31, (1080, 1920)


def best_of(times, work):
    best = np.inf
    for _ in range(times):
        start = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - start)
    return best


def made_frames(kind, size=SIZE):
    """31 frames as a camera gives them: a picture, noise, somebody who crosses."""
    rng = np.random.default_rng(1)
    picture = np.kron(rng.random((size[0] // 40, size[1] // 40, 1)), np.ones((40, 40, 1)))
    frames = np.empty((COUNT, *size, 1), kind)
    for k in range(COUNT):
        light = picture + rng.normal(0, 0.01, picture.shape)
        light[200:, 60 * k : 60 * k + 300] = 0.9
        frames[k] = np.clip(light, 0, 1) * (1023 if np.dtype(kind).kind == "u" else 1)
    return frames


def time_reduction():
    print(f"median of {COUNT} frames of {SIZE[1]} x {SIZE[0]}, one channel; seconds, best of 3")
    for kind in (np.uint8, np.uint16, np.float16, np.float32):
        frames = made_frames(kind)
        reduce_frames(frames, rows=(0, 8))
        ours = {threads: best_of(3, partial(reduce_frames, frames, threads=threads)) for threads in (1, 2)}
        theirs = best_of(1, partial(np.median, frames, axis=0))
        equal = np.array_equal(reduce_frames(frames).light, np.median(frames.astype(np.float32), axis=0))
        print(
            f"  {np.dtype(kind).name:8s} 1 thread {ours[1]:.3f}, 2 threads {ours[2]:.3f}, numpy {theirs:.3f}: "
            f"{theirs / ours[1]:.1f} and {theirs / ours[2]:.1f} times; equal: {equal}"
        )
        if np.dtype(kind) == np.uint16:
            time_plain_numpy(frames, ours)
            time_ffmpeg(frames, ours)


def time_plain_numpy(frames, ours):
    """numpy's median without its AVX-512 selection, which only some processors have: it is what 16-bit codes race."""
    script = (
        "import sys, time, numpy as np; frames = np.load(sys.argv[1]); start = time.perf_counter(); "
        "np.median(frames, axis=0); print(time.perf_counter() - start)"
    )
    switched_off = {**os.environ, "NPY_DISABLE_CPU_FEATURES": "AVX512_SPR AVX512_ICL", "PYTHONWARNINGS": "ignore"}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "frames.npy"
        np.save(path, frames)
        command = [sys.executable, "-c", script, str(path)]
        done = subprocess.run(command, env=switched_off, capture_output=True, text=True, check=False)
    if done.returncode:
        print("  numpy without AVX-512 selection: not to be had here")
        return
    plain = float(done.stdout)
    print(f"  numpy without AVX-512 selection {plain:.3f}: {plain / ours[1]:.1f} and {plain / ours[2]:.1f} times")


def time_ffmpeg(frames, ours):
    each = race_ffmpeg(frames)
    if each is None:
        print("  ffmpeg: not installed")
        return
    print(f"  ffmpeg tmedian (all its threads): {each:.3f} a median: {each / ours[1]:.1f}, {each / ours[2]:.1f} times")


def race_ffmpeg(frames):
    """Seconds of ffmpeg's tmedian on the same frames as raw video, per median that it gives, less passing them through;
    None where it is not installed."""
    if shutil.which("ffmpeg") is None:
        return None
    with tempfile.TemporaryDirectory() as folder:
        raw = Path(folder) / "frames.raw"
        with raw.open("wb") as stream:
            for _ in range(2):  # the filter gives one median a frame
                stream.write(np.ascontiguousarray(frames).data)
        command = ["ffmpeg", "-v", "error", "-f", "rawvideo", "-pix_fmt", "gray10le"]
        command += ["-s", f"{frames.shape[2]}x{frames.shape[1]}", "-i", str(raw)]
        tail = ["-f", "null", "-"]
        bare = best_of(2, lambda: subprocess.run([*command, *tail], check=True))
        whole = best_of(2, lambda: subprocess.run([*command, "-vf", f"tmedian=radius={COUNT // 2}", *tail], check=True))
    return (whole - bare) / (2 * COUNT)


def write_take(standing, places, path, *, chroma="rgb", codec="ffv1", options=None):
    form = {"rgb": "gbrp10le", "420": "yuv420p10le"}[chroma]
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=Fraction(24), options=options or {})
        height, width = standing.empty.shape[:2]
        stream.width, stream.height, stream.pix_fmt, stream.thread_count = width, height, form, 1
        context = stream.codec_context
        context.color_range, context.colorspace = (2, 0) if chroma == "rgb" else (1, 1)
        context.color_primaries = context.color_trc = 1
        for k, planes in enumerate(standing.planes(places, chroma=chroma)):
            frame = pack_frame(planes, form)
            frame.pts, frame.time_base = k, Fraction(1, 24)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def clean(path, method, folder, **keys):
    take = CleanTake(TakeSettings(path=(str(path),)), (path,), "take")
    return make_clean(CleanRequest(takes=(take,), method=method, **keys), Path(folder), progress=Unwatched())


def time_whole(folder):
    """`clean` from end to end beside decoding every frame, and beside decoding the frames that it uses."""
    standing = make_standing(1, size=(720, 1280), feet=((-0.3, 2.2, 0.4, 1.1),))
    path = write_take(
        standing, [None] * 30 + [0] * 30 + [None] * 30, folder / "whole.mp4", chroma="420", codec="libx264"
    )
    clean(path, "median", folder)  # compiled loops are read from their cache

    def decode():
        with open_take(path) as take:
            for _ in take.frames():
                pass

    bare = best_of(2, decode)
    print(f"end to end, 90 frames of 1280 x 720 H.264 10 bit: decoding alone {bare:.2f} s")
    for method in ("median", "sigma_clip", "longest_rest"):
        wall = best_of(1, lambda m=method: clean(path, m, folder))
        print(f"  {method}: {wall:.2f} s, {wall / bare:.1f} times decoding alone")


def say_quality(name, picture, truth):
    """Print the figures of a plate against the truth, 8-bit codes (H, W, 3)."""
    a, b = (cv2.cvtColor(p, cv2.COLOR_RGB2GRAY).astype(np.float64) for p in (picture, truth))
    off = np.abs(a - b)
    mean_square = max(float((off**2).mean()), 1e-9)
    print(
        f"    {name:24s} AGE {off.mean():6.2f}  pEPs {100 * (off > 20).mean():6.2f} %  "
        f"MS-SSIM {multi_scale_ssim(a, b):.4f}  PSNR {10 * np.log10(255**2 / mean_square):5.2f} dB"
    )


def multi_scale_ssim(a, b):
    """MS-SSIM (Wang, Simoncelli, Bovik 2003, weights of their table 1), as many scales as fit."""
    weights = np.array([0.0448, 0.2856, 0.3001, 0.2363, 0.1333])
    scales = min(len(weights), int(np.log2(min(a.shape) / 11)) + 1)
    weights = weights[:scales] / weights[:scales].sum()
    score = 1.0
    for k in range(scales):
        blur = [cv2.GaussianBlur(x, (11, 11), 1.5) for x in (a, b, a * a, b * b, a * b)]
        va, vb, both = blur[2] - blur[0] ** 2, blur[3] - blur[1] ** 2, blur[4] - blur[0] * blur[1]
        contrast = (2 * both + 58.5225) / (va + vb + 58.5225)
        level = (2 * blur[0] * blur[1] + 6.5025) / (blur[0] ** 2 + blur[1] ** 2 + 6.5025)
        value = (contrast * level if k == scales - 1 else contrast).mean()
        score *= max(float(value), 1e-6) ** weights[k]
        a, b = (cv2.blur(x, (2, 2))[::2, ::2] for x in (a, b))
    return score


def other_plates(frames):
    """Plates of the same frames (n, H, W, 3) light by other means, by name."""
    plates = {"numpy median, 31 frames": np.median(frames[np.linspace(0, len(frames) - 1, 31).astype(int)], axis=0)}
    codes = [display_srgb(frame) for frame in frames]
    mixture = cv2.createBackgroundSubtractorMOG2(history=len(frames), detectShadows=False)
    neighbours = cv2.createBackgroundSubtractorKNN(history=len(frames), detectShadows=False)
    for picture in codes:
        mixture.apply(np.ascontiguousarray(picture))
        neighbours.apply(np.ascontiguousarray(picture))
    shown = {"OpenCV MOG2 background": mixture.getBackgroundImage()}
    shown["OpenCV KNN background"] = neighbours.getBackgroundImage()
    try:
        import ccdproc
        from astropy.nddata import CCDData
    except ImportError:
        print("    ccdproc is not installed")
        return plates, shown
    channels = []
    for c in range(3):
        combiner = ccdproc.Combiner(
            [CCDData(frame[..., c], unit="adu") for frame in frames[:: max(1, len(frames) // 31)]]
        )
        combiner.sigma_clipping(low_thresh=3, high_thresh=3, func="median", dev_func="mad_std")
        channels.append(np.asarray(combiner.average_combine()))
    plates["ccdproc sigma clip, 31"] = np.stack(channels, -1).astype(np.float32)
    return plates, shown


def judge_made(folder):
    for seed in (101, 102):
        standing = make_standing(seed, size=(180, 320))
        truth = display_srgb(standing.empty.astype(np.float32), exposure_stops=0)
        for cover in (0.3, 0.49, 0.6, 0.8):
            free = round(100 * (1 - cover))
            places = [None] * free + [sway(k) for k in range(100 - free)]
            path = write_take(standing, places, folder / "made.mkv")
            print(f"  made take {seed}, covered {100 * cover:.0f} %")
            plates, shown = other_plates(standing.film(places))
            for method in ("median", "sigma_clip", "longest_rest"):
                outcome = clean(path, method, folder)
                say_quality(f"clean, {method}", display_srgb(outcome.light), truth)
            for name, plate in plates.items():
                say_quality(name, display_srgb(plate.astype(np.float32)), truth)
            for name, picture in shown.items():
                say_quality(name, picture, truth)


def judge_street(path, folder):
    """A plate of a clip's first half against one of its second: no truth, but what differs is nobody's street."""
    with open_take(path) as take:
        count = sum(1 for _ in take.frames())
        halves = ((1, count // 2), (count // 2 + 1, count))
        sampled = [[take.linear(f) for f in take.read_frames(range(a, b + 1, 8))] for a, b in halves]
    print(f"  {path.name}, first half against second ({count} frames)")
    for method in ("median", "sigma_clip", "longest_rest"):
        plates = []
        for a, b in halves:
            settings = TakeSettings(path=(str(path),), use=(a, b))
            request = CleanRequest(takes=(CleanTake(settings, (path,), "street"),), method=method)
            outcome = make_clean(request, folder, progress=Unwatched())
            plates.append(display_srgb(outcome.light, outcome.primaries))
        say_quality(f"clean, {method}", *plates)
    others = [other_plates(np.stack(half)) for half in sampled]
    for name in others[0][0]:
        say_quality(name, *(display_srgb(plates[name].astype(np.float32)) for plates, _ in others))
    for name in others[0][1]:
        say_quality(name, *(shown[name] for _, shown in others))


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--clip", type=Path, help="a clip of a fixed camera")
    parser.add_argument("--only", choices=("speed", "plates"), help="one half of it")
    wish = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if wish.only != "plates":
            time_reduction()
            time_whole(folder)
        if wish.only != "speed":
            print("plates against the truth")
            judge_made(folder)
            if wish.clip is not None:
                judge_street(wish.clip, folder)


if __name__ == "__main__":
    main()
