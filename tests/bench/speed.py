"""Print what `plate` costs beside decoding alone, beside a plain numpy loop, and beside ffmpeg's filters.

    python tests/bench/speed.py [FOLDER]       # makes its takes once in FOLDER (default: a temporary one)

Every figure is wall time of a whole process, cold (first run) and warm (second). Decoding is timed for the
frames that `plate` really decoded: the pass over all frames, and the second pass with its run-in. Machines
are noisy: compare ratios of one run.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
import time
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from made import make_room  # noqa: E402

TAKES = {
    "hd_h264": {"size": (1920, 1080), "bits": 8, "chroma": "420", "codec": "libx264", "frames": 240,
                "options": {"crf": "18", "preset": "veryfast", "g": "250"}, "file": "hd.mp4"},
    "uhd_prores": {"size": (3840, 2160), "bits": 10, "chroma": "422", "codec": "prores_ks", "frames": 120,
                   "options": {"profile": "3"}, "file": "uhd.mov"},
}  # fmt: skip


def make_take(folder: Path, name: str) -> Path:
    """Enlarge a made sweep, give it noise at full size, and code it."""
    spec = TAKES[name]
    path = folder / spec["file"]
    if path.exists():
        return path
    room = make_room(3, frames=spec["frames"], lead=30, bump_px=0.0, turn_deg=0.0)
    rng = np.random.default_rng(0)
    width, height = spec["size"]
    grain = [rng.standard_normal((height, width, 3), dtype=np.float32) for _ in range(3)]
    pixel_format = f"yuv{spec['chroma']}p" + ("10le" if spec["bits"] == 10 else "")
    with av.open(str(path), "w") as container:
        stream = container.add_stream(spec["codec"], rate=Fraction(24), options=spec["options"])
        stream.width, stream.height, stream.pix_fmt = width, height, pixel_format
        context = stream.codec_context
        context.color_range = context.colorspace = context.color_primaries = context.color_trc = 1
        for k in range(len(room)):
            light = cv2.resize(np.float32(room.seen(k)), (width, height), interpolation=cv2.INTER_CUBIC)
            light = np.maximum(light, 0) + grain[k % 3] * np.sqrt(4e-4 * np.maximum(light, 0) + 4e-6)
            frame = pack(code(light, spec), pixel_format)
            frame.pts = k
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def code(light, spec):
    """BT.709 signal, limited range, chroma averaged down."""
    v = np.where(light < 0.018, 4.5 * light, 1.099 * np.maximum(light, 1e-9) ** 0.45 - 0.099)
    v = np.clip(v, 0, 1).astype(np.float32)
    y = v @ np.float32([0.2126, 0.7152, 0.0722])
    height, width = y.shape
    size = (width // 2, height if spec["chroma"] == "422" else height // 2)
    scale = 2 ** (spec["bits"] - 8)
    kind = np.uint8 if spec["bits"] == 8 else np.uint16
    differences = ((v[..., 2] - y) / 1.8556, (v[..., 0] - y) / 1.5748)
    chroma = [cv2.resize(d, size, interpolation=cv2.INTER_AREA) for d in differences]
    return [np.round((219 * y + 16) * scale).astype(kind)] + [
        np.round((224 * c + 128) * scale).astype(kind) for c in chroma
    ]


def pack(planes, pixel_format):
    """Planes as a frame without conversion."""
    frame = av.VideoFrame(planes[0].shape[1], planes[0].shape[0], pixel_format)
    for plane, values in zip(frame.planes, planes, strict=True):
        rows = np.ascontiguousarray(values).view(np.uint8).reshape(values.shape[0], -1)
        np.frombuffer(plane, np.uint8).reshape(plane.height, plane.line_size)[:, : rows.shape[1]] = rows
    return frame


def time_decode(path: Path, most: int | None = None) -> tuple[float, int]:
    """Seconds and frames of decoding alone, all processors."""
    start, count = time.perf_counter(), 0
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        stream.thread_type = "AUTO"
        for _ in container.decode(stream):
            count += 1
            if count == most:
                break
    return time.perf_counter() - start, count


def time_plate(path: Path, folder: Path) -> tuple[float, float, dict]:
    """Seconds of a whole `plate` process, its peak memory in MiB, and its result."""
    out = folder / "out"
    shutil.rmtree(out, ignore_errors=True)
    script = (
        "import resource, sys; sys.path.insert(0, sys.argv.pop(1))\n"
        "from lightstack.cli.main import run\n"
        "code = run(sys.argv[1:]); print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, file=sys.stderr)\n"
        "sys.exit(code)"
    )
    start = time.perf_counter()
    command = [sys.executable, "-c", script, str(ROOT), "plate", str(path), "-o", str(out), "--json", "--quiet"]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    return time.perf_counter() - start, int(done.stderr.split()[-1]) / 1024, json.loads(done.stdout)


def time_numpy(path: Path) -> float:
    """Seconds of the plain loop that keeps the maximum of all frames, converted by the scaler."""
    start, best = time.perf_counter(), None
    with av.open(str(path)) as container:
        for frame in container.decode(video=0):
            picture = frame.to_ndarray(format="rgb24")
            best = picture if best is None else np.maximum(best, picture)
    return time.perf_counter() - start


def time_ffmpeg(path: Path) -> float | None:
    """Seconds of ffmpeg's `lagfun` (a maximum over time), where ffmpeg is installed."""
    if shutil.which("ffmpeg") is None:
        return None
    start = time.perf_counter()
    command = ["ffmpeg", "-v", "error", "-i", str(path), "-vf", "lagfun=decay=1", "-f", "null", "-"]
    subprocess.run(command, check=True)
    return time.perf_counter() - start


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path, nargs="?")
    folder = parser.parse_args().folder or Path(tempfile.mkdtemp())
    folder.mkdir(parents=True, exist_ok=True)
    for name in TAKES:
        path = make_take(folder, name)
        cold, _ = time_decode(path)
        warm, frames = time_decode(path)
        for label in ("cold", "warm"):
            seconds, peak, result = time_plate(path, folder)
            words = result["numbers"]["sweep"]["frames decoded"].replace(",", "").split()
            decoded, run_in = int(words[0]), int(words[3])
            equal = warm * decoded / frames
            print(
                f"{name} {label}: plate {seconds:.1f} s with the stack exported uncompressed, peak {peak:.0f} MiB; "
                f"{decoded} frames decoded, {run_in} of them run-in; wall / decode of as many {seconds / equal:.2f}, "
                f"wall / one bare decode {seconds / warm:.2f} "
                f"(bare decode of {frames}: cold {cold:.1f} s, warm {warm:.1f} s)",
                flush=True,
            )
        ffmpeg = time_ffmpeg(path)
        print(f"{name}: plain numpy maximum {time_numpy(path):.1f} s, ffmpeg lagfun "
              f"{'not installed' if ffmpeg is None else f'{ffmpeg:.1f} s'}", flush=True)  # fmt: skip


if __name__ == "__main__":
    main()
