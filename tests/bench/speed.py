"""The takes that speed is measured on, and what plain ways without any of the job's care cost on them.

    python tests/bench/speed.py [FOLDER]                # makes its takes once in FOLDER (default: a temporary one)

What `plate` and the rest cost beside decoding is in the table (``table.py``). Machines are noisy: compare ratios of one
run.
"""

from __future__ import annotations

import argparse
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


def make_long(path: Path, times: int) -> Path:
    """Repeat a take's coded frames, so that a take of any length costs no coding."""
    long = path.with_stem(f"{path.stem}_{times}")
    with av.open(str(path)) as source, av.open(str(long), "w") as sink:
        stream = source.streams.video[0]
        copy = sink.add_stream_from_template(stream)
        packets = [packet for packet in source.demux(stream) if packet.dts is not None]
        length = round(len(packets) / stream.average_rate / stream.time_base)
        for turn in range(times):
            source.seek(0)
            for packet in source.demux(stream):
                if packet.dts is not None:
                    packet.pts, packet.dts = packet.pts + turn * length, packet.dts + turn * length
                    packet.stream = copy
                    sink.mux(packet)
    return long


def time_numpy(path: Path) -> float:
    """Seconds of the plain loop that keeps the maximum of all frames, converted by the scaler."""
    start, best = time.perf_counter(), None
    with av.open(str(path)) as container:
        for frame in container.decode(video=0):
            picture = frame.to_ndarray(format="rgb24")
            best = picture if best is None else np.maximum(best, picture, out=best)
    return time.perf_counter() - start


FFMPEG = {  # all of them give every frame out and drop it; none knows ambient light, poses, masks or noise
    "decode": "null",
    "running maximum (lagfun=decay=1)": "lagfun=decay=1",
    "lighten of neighbours (tblend)": "tblend=all_mode=lighten",
    "mean of 8 (tmix)": "tmix=frames=8",
}


def time_ffmpeg(path: Path, filters: str) -> float:
    """Seconds of one ffmpeg process that decodes, filters and drops."""
    start = time.perf_counter()
    command = ["ffmpeg", "-v", "error", "-i", str(path), "-vf", filters, "-f", "null", "-"]
    subprocess.run(command, check=True, stdin=subprocess.DEVNULL)
    return time.perf_counter() - start


def print_plain_ways(name: str, path: Path) -> None:
    """Print, cold and warm, what plain ways without any of the job's care cost."""
    print(f"{name}: plain numpy maximum, cold {time_numpy(path):.1f} s, warm {time_numpy(path):.1f} s", flush=True)
    if shutil.which("ffmpeg") is None:
        print(f"{name}: ffmpeg is not installed, its filters are left out", flush=True)
        return
    for words, filters in FFMPEG.items():
        cold, warm = time_ffmpeg(path, filters), time_ffmpeg(path, filters)
        print(f"{name}: ffmpeg {words}, cold {cold:.1f} s, warm {warm:.1f} s", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path, nargs="?")
    parser.add_argument("--take", choices=TAKES, action="append", help="only this take; may be repeated")
    args = parser.parse_args()
    folder = args.folder or Path(tempfile.mkdtemp())
    folder.mkdir(parents=True, exist_ok=True)
    for name in args.take or TAKES:
        print_plain_ways(name, make_take(folder, name))


if __name__ == "__main__":
    main()
