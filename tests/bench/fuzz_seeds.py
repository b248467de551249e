"""Small sound files of every kind that lightstack reads, made on the spot: what `fuzz.py` damages."""

from __future__ import annotations

import csv
import io
import json
import zlib
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
import OpenEXR
import OpenImageIO as oiio
from clips import moving_pictures, write_clip
from grain_helpers import make_ramp, profile_of
from sounding import write_hero

from lightstack.files.handover.folder import list_handed, mark, write_sums
from lightstack.files.handover.otio import Mark, TimelineTrack, write_timeline
from lightstack.files.kept.grain_profiles import write_grain
from lightstack.files.kept.identity import hash_file
from lightstack.files.kept.keep import keep_record
from lightstack.files.kept.stack import StackShape, create_stack
from lightstack.records import MixCurve

SIZE = (48, 64)
FRAMES = 9
MOVIES: dict[str, dict] = {
    "h264.mp4": {"codec": "libx264", "gop": 4},
    "h264.mov": {"codec": "libx264", "gop": 12, "turn": 90, "metadata": {"timecode": "01:00:00:00"}},
    "h264.mkv": {"codec": "libx264", "gop": 3},
    "h264.ts": {"codec": "libx264", "gop": 4},
    "hevc.mkv": {"codec": "libx265", "options": {"x265-params": "log-level=none"}},
    "hevc.mp4": {"codec": "libx265", "options": {"x265-params": "log-level=none"}},
    "prores.mov": {"codec": "prores_ks", "pixel_format": "yuv422p10le"},
    "dnxhr.mov": {"codec": "dnxhd", "pixel_format": "yuv422p", "options": {"profile": "dnxhr_hq"}, "size": (128, 256)},
    "dnxhr.mxf": {"codec": "dnxhd", "pixel_format": "yuv422p", "options": {"profile": "dnxhr_hq"}, "size": (128, 256)},
    "mpeg2.mxf": {"codec": "mpeg2video", "rate": Fraction(25)},
    "ffv1.mkv": {"codec": "ffv1"},
    "ffv1.avi": {"codec": "ffv1", "pixel_format": "yuv444p10le"},
    "mjpeg.avi": {"codec": "mjpeg", "pixel_format": "yuvj420p", "rate": Fraction(25)},
    "vp9.webm": {"codec": "libvpx-vp9"},
    "v210.mov": {"codec": "v210", "pixel_format": "yuv422p10le"},
}
COMPRESSIONS = ("none", "rle", "zips", "zip", "piz", "pxr24", "b44", "b44a", "dwaa", "dwab")


def make_seeds(folder: Path) -> dict[str, list[Path]]:
    """Write the seeds of every kind; a kind whose encoder is missing is left out, in words."""
    makers: dict[str, Callable[[Path], None]] = {
        "movie": make_movies, "exr": make_exrs, "dpx": make_dpxs, "png": make_pngs, "tiff": make_tiffs,
        "jpeg": make_jpegs, "mask": make_masks, "sound": make_sounds, "usd": make_usd, "csv": make_tables,
        "json": make_side_files, "toml": make_shot_files, "npz": make_kept, "stack": make_stack_copy,
        "colours": make_colours, "otio": make_timelines, "given": make_given,
    }  # fmt: skip
    seeds = {}
    for kind, make in makers.items():
        room = folder / kind
        room.mkdir(parents=True)
        make(room)
        seeds[kind] = sorted(path for path in room.rglob("*") if path.is_file())
    return seeds


def make_movies(room: Path) -> None:
    for name, how in MOVIES.items():
        how = dict(how)
        wide = "422" in how.get("pixel_format", "")
        chroma = "444" if "444" in how.get("pixel_format", "") else "422" if wide else "420"
        deep = np.uint16 if "10le" in how.get("pixel_format", "") else np.uint8
        pictures = moving_pictures(FRAMES, how.pop("size", SIZE), deep, chroma)
        try:
            write_clip(room / name, pictures, **how)
        except (av.error.FFmpegError, ValueError) as error:
            (room / name).unlink(missing_ok=True)
            print(f"{name}: left out, it cannot be made here ({error})")
    sounds = {"aac.mp4": ("aac",), "pcm.mov": ("pcm_s24le", "pcm_s16le")}
    for name, tracks in sounds.items():
        write_hero(room / f"sound_{name}", moving_pictures(FRAMES), sounds=tracks, codec="libx264")


def picture(size: tuple[int, int] = SIZE) -> np.ndarray:
    y, x = np.mgrid[0 : size[0], 0 : size[1]]
    return np.stack([x / size[1], y / size[0], ((x * y) % 17) / 17], axis=-1).astype(np.float32)


def make_exrs(room: Path) -> None:
    for name in COMPRESSIONS:
        for kind in ("half", "float"):
            write_oiio(room / f"{name}_{kind}.exr", kind=kind, compression=name)
    write_oiio(room / "tiled.exr", kind="half", compression="zip", tile=16)
    light = picture().astype(np.float16)
    parts = [
        OpenEXR.Part({"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage}, {"RGBA": rgba}, name)
        for name, rgba in (("left", np.dstack([light, light[..., 0]])), ("right", np.dstack([light, light[..., 1]])))
    ]
    OpenEXR.File(parts).write(str(room / "parts.exr"))


def write_oiio(path: Path, *, kind: str, tile: int = 0, alpha: bool = False, **words: object) -> None:
    pixels = np.dstack([picture(), picture()[..., :1]]) if alpha else picture()
    spec = oiio.ImageSpec(SIZE[1], SIZE[0], pixels.shape[2], kind)
    spec.tile_width = spec.tile_height = tile
    for key, value in words.items():
        spec.attribute(key.replace("__", ":"), value)
    out = oiio.ImageOutput.create(str(path))
    assert out is not None and out.open(str(path), spec), oiio.geterror()
    assert out.write_image(pixels), out.geterror()
    out.close()


def make_dpxs(room: Path) -> None:
    for bits in (8, 10, 12, 16):
        write_oiio(room / f"b{bits}_codes.dpx", kind="uint8" if bits == 8 else "uint16", oiio__BitsPerSample=bits)


def make_pngs(room: Path) -> None:
    from PIL import Image

    codes = (picture() * 255).astype(np.uint8)
    cv2.imwrite(str(room / "eight.png"), codes)
    cv2.imwrite(str(room / "sixteen.png"), (picture() * 65535).astype(np.uint16))
    cv2.imwrite(str(room / "grey.png"), codes[..., 0])
    Image.fromarray(codes).quantize(16).save(room / "palette.png")
    Image.fromarray(np.dstack([codes, codes[..., :1]])).save(room / "alpha.png", optimize=True, dpi=(72, 72))
    (room / "interlaced.png").write_bytes(interlaced_png(codes))


def interlaced_png(codes: np.ndarray) -> bytes:
    """Write an Adam7 PNG of (H, W, 3) uint8. References: W3C PNG, third edition, section 8.1."""
    height, width = codes.shape[:2]
    raw = b""
    passes = ((0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2), (0, 1, 1, 2))
    for x, y, dx, dy in passes:
        for row in codes[y::dy, x::dx]:
            raw += b"\0" + row.tobytes() if row.size else b""
    head = width.to_bytes(4) + height.to_bytes(4) + bytes([8, 2, 0, 0, 1])
    chunks = ((b"IHDR", head), (b"IDAT", zlib.compress(raw)), (b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(png_chunk(kind, data) for kind, data in chunks)


def png_chunk(kind: bytes, data: bytes) -> bytes:
    return len(data).to_bytes(4) + kind + data + zlib.crc32(kind + data).to_bytes(4)


def make_tiffs(room: Path) -> None:
    for name in ("none", "lzw", "zip", "packbits"):
        write_oiio(room / f"strips_{name}.tif", kind="uint16", compression=name)
    write_oiio(room / "float.tif", kind="float", compression="zip")
    write_oiio(room / "tiled.tif", kind="uint8", compression="lzw", tile=16)
    write_oiio(room / "planes.tif", kind="uint16", compression="none", planarconfig="separate")


def make_jpegs(room: Path) -> None:
    from PIL import Image

    codes = Image.fromarray((picture() * 255).astype(np.uint8))
    codes.save(room / "plain.jpg", quality=90)
    codes.save(room / "progressive.jpg", quality=80, progressive=True)
    codes.convert("L").save(room / "grey.jpg")


def make_masks(room: Path) -> None:
    write_oiio(room / "mask.exr", kind="half", alpha=True, compression="zip")
    write_oiio(room / "mask.tif", kind="uint8", alpha=True, compression="lzw")
    write_oiio(room / "mask.png", kind="uint8", alpha=True)


def make_sounds(room: Path) -> None:
    t = np.arange(4000)
    samples = (12000 * np.sin(t / 9) + 3000 * np.sin(t * t / 9e4)).astype(np.int16)
    kinds = {"s.wav": "pcm_s16le", "f.wav": "pcm_f32le", "s.flac": "flac", "s.mp3": "libmp3lame", "s.m4a": "aac"}
    kinds["s.aiff"] = "pcm_s16be"
    for name, codec in kinds.items():
        with av.open(str(room / name), "w") as out:
            stream = out.add_stream(codec, rate=48000, layout="mono")
            frame = av.AudioFrame.from_ndarray(samples[None], format="s16", layout="mono")
            frame.sample_rate, frame.pts = 48000, 0
            context = stream.codec_context
            resampler = av.AudioResampler(context.format.name, "mono", 48000, context.frame_size)
            for made in (*resampler.resample(frame), *resampler.resample(None)):
                out.mux(stream.encode(made))
            out.mux(stream.encode(None))


def make_usd(room: Path) -> None:
    from pxr import Gf, Usd, UsdGeom, UsdLux

    stage = Usd.Stage.CreateNew(str(room / "lights.usda"))
    UsdGeom.Xform.Define(stage, "/shot")
    for number in range(3):
        light = UsdLux.SphereLight.Define(stage, f"/shot/lights/l{number}")
        for frame in range(1001, 1013):
            light.CreateIntensityAttr().Set(frame / 1000, frame)
        light.AddTranslateOp().Set(Gf.Vec3d(1, number, 2))
    stage.GetRootLayer().Save()


def write_rows(path: Path, header: str, rows: list) -> None:
    text = io.StringIO()
    csv.writer(text).writerows([header.split(","), *rows])
    path.write_text(text.getvalue())


def make_tables(room: Path) -> None:
    write_rows(room / "mix.csv", "frame,gain,stops", [(1001 + k, k / 9, "0.0") for k in range(12)])
    write_rows(room / "weights.csv", "still,weight", [(k, k / 9) for k in range(12)])
    write_rows(room / "track.csv", "frame,x,y,z", [(1001 + k, 3 * k, 99.5 - k, 2 + k / 3) for k in range(12)])
    write_rows(room / "columns.csv", "frame,still_00012,still_00031", [(1001 + k, k / 9, 1 - k / 9) for k in range(12)])


def make_side_files(room: Path) -> None:
    write_grain(room / "grain.json", profile_of(make_ramp()))
    codes = list(range(0, 256, 15))
    response = {"bit_depth": 8, "range": "full", "code": codes, "light": [(c / 255) ** 2.2 for c in codes]}
    (room / "response.json").write_text(json.dumps({**response, "measured_codes": [15, 240]}))
    stage = {"inputs": "ab", "outputs": {"a.csv": [1, 2]}}
    seen = {"seen": [1, 2, 3], "sha256": "cd"}
    (room / "stages.json").write_text(json.dumps({"files": {"/a": seen}, "stages": {"mix": stage}}))
    ledger = {"inputs": "x", "frames": {"1001": {"a.exr": [1, 2]}}, "earlier": ["b.exr"]}
    (room / "ledger.json").write_text(json.dumps(ledger))


def make_shot_files(room: Path) -> None:
    (room / "shot.toml").write_text(SHOT)


def make_kept(room: Path) -> None:
    curve = MixCurve(1001, np.linspace(0, 1, 40))
    keep_record(room / "mix.npz", curve)
    packed = io.BytesIO()
    for array in (np.arange(60, dtype=np.uint8).reshape(6, 10), np.ones((4, 4), np.float16)):
        np.save(packed, array)
    (room / "frames.packed").write_bytes(zlib.compress(packed.getvalue()))


def make_stack_copy(room: Path) -> None:
    shape = StackShape(*SIZE, stills=2)
    stack = create_stack(room / "light.exr", shape)
    for index in range(2):
        stack.write_still(index, picture(), np.ones(SIZE, np.float32), guide=picture()[..., :1])
    stack.flush()


def make_timelines(room: Path) -> None:
    rate = Fraction(24000, 1001)
    stills = TimelineTrack("v", "stills", "v.", (9, 30), (9, 30), Fraction(25), gaps=True)
    tracks = [
        TimelineTrack("relit", "elements/relit", "a.", (1001, 1006), (1002, 1005), rate, marks=(Mark(1004, "on"),)),
        TimelineTrack("preview", "preview.mp4", "", (0, 40), (1, 38), rate, at=2),
        TimelineTrack("sweep v", "", "", (1, 40), (1, 40), Fraction(25), shown=False, stills=stills),
    ]
    write_timeline(room / "shot.otio", "a", tracks, rate=rate, timecode="01:00:00:00", facts={"frames": "1001-1006"})


def make_given(room: Path) -> None:
    """A hand-over as a whole: pictures, a table, a scene, a timeline, what was checked, and check sums of them all."""
    (room / "elements/relit").mkdir(parents=True)
    for frame in range(1001, 1007):
        write_oiio(room / f"elements/relit/a.{frame}.exr", kind="half", compression="zip")
    write_rows(room / "mix_a.csv", "frame,gain,stops", [(1001 + k, k / 9, "0.0") for k in range(6)])
    (room / "preview.mp4").write_bytes(b"pictures")
    make_usd(room)
    make_timelines(room)
    mark(room, {"shot": "a", "frames": {"built": [1001, 1006]}, "found": {"files": 12}, "warnings": []})
    write_sums(room, [(name, hash_file(room / name)) for name in list_handed(room)])


def make_colours(room: Path) -> None:
    """A colour configuration, as --ocio names one."""
    from PyOpenColorIO import Config

    (room / "config.ocio").write_text(Config.CreateRaw().serialize())


SHOT = """
[shot]
name = "s"
first_frame = 1001
frames = [1001, 1040]
rate = "24000/1001"
[takes.hero]
path = "hero.mov"
use = [1, 40]
[[sweep]]
name = "violet"
path = ["a.mov", "b.mov"]
coverage = 0.99
keys = [12, "2:34"]
exclude = [[1, 3]]
[[light]]
name = "key"
from = "violet"
gel = [0.9, 0.2, 1.0]
[light.mix]
points = [[1001, 0.0], [1012, 1.0], [1040, 0.5]]
[[patch]]
from = "hero"
frames = [1001, 1010]
[[patch.shape]]
drawn = [{ frame = 1001, polygon = [[1.5, 2.5], [30.5, 2.5], [30.5, 40.5]] }]
[holdout]
from = "auto"
[grain]
[render]
"""
