"""A folder of small takes, pictures, sounds and tables, good ones and ones that are wrong in one way each."""

import json
import os
import wave
from fractions import Fraction

import av
import cv2
import numpy as np
import OpenEXR
import OpenImageIO as oiio
import tifffile
from clips import flat_planes, moving_pictures, write_clip
from made import make_room, write_movie
from PIL import Image

LEAD, FRAMES, SIZE = 6, 20, (48, 64)
TEXT = "dear all, " * 40
ENDINGS = ("mp4", "mov", "mkv", "exr", "png", "tif", "dpx", "wav", "usd", "jpg", "hdr")


def make_footage(folder):
    """Write everything into a folder; each name says what it holds."""
    room = make_room(1, size=SIZE, frames=FRAMES, lead=LEAD)
    write_movie(room, folder / "good.mkv")
    write_movie(room, folder / "one.mkv", frames=[8])
    write_movie(room, folder / "two.mkv", frames=[8, 9])
    write_movie(room, folder / "dark.mkv", frames=range(LEAD))
    for ending in ENDINGS:
        (folder / f"letter.{ending}").write_text(TEXT)
        (folder / f"empty.{ending}").touch()
    (folder / "nothing").mkdir()
    (folder / "folder.mkv").mkdir()
    (folder / "folder.toml").mkdir()
    write_movies(folder)
    write_pictures(folder)
    write_exrs(folder)
    write_sequences(folder, room)
    write_sounds(folder)
    write_tables(folder)
    cut_files(folder)
    return folder


def write_movies(folder):
    """Movies of other sizes, rates and kinds."""
    write_clip(folder / "square.mkv", moving_pictures(6, (64, 64)), codec="ffv1")
    dot = flat_planes((1, 1), "yuv444p", (90, 128, 128))
    write_clip(folder / "dot.mkv", [dot] * 4, codec="ffv1", pixel_format="yuv444p")
    write_clip(folder / "good.mp4", moving_pictures(8, SIZE), options={"crf": "20"})
    white = flat_planes(SIZE, "yuv444p10le", (940, 512, 512))
    write_clip(folder / "white.mkv", [white] * 8, codec="ffv1", pixel_format="yuv444p10le")
    with av.open(str(folder / "sound_only.mp4"), "w") as container:
        stream = container.add_stream("aac", rate=48_000)
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 4800), np.float32), format="fltp", layout="mono")
        frame.rate, frame.pts = 48_000, 0
        container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    with av.open(str(folder / "no_frames.mkv"), "w") as container:
        stream = container.add_stream("ffv1", rate=Fraction(24))
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv420p"
        container.start_encoding()
    fields = moving_pictures(4, SIZE, dtype=np.uint16, chroma="422")
    write_clip(folder / "fields.mov", fields, codec="prores_ks", pixel_format="yuv422p10le", interlaced=True)
    write_clip(folder / "askew.mp4", moving_pictures(4, SIZE), turn=-30)
    tags = {"color_range": 1, "colorspace": 14, "color_trc": 16, "color_primaries": 9}
    write_clip(folder / "ictcp.mp4", moving_pictures(4, SIZE), tags=tags)
    steps = np.cumsum([0, 1, 1, 3, 1, 5, 1, 1])
    write_clip(folder / "uneven.mkv", moving_pictures(8, SIZE), codec="ffv1", times=steps.tolist())


def write_pictures(folder):
    """Single pictures."""
    grey = np.full((*SIZE, 3), 90, np.uint8)
    cv2.imwrite(str(folder / "good.png"), grey)
    cv2.imwrite(str(folder / "black.png"), np.zeros_like(grey))
    cv2.imwrite(str(folder / "small.png"), grey[:20, :20])
    cv2.imwrite(str(folder / "dot.png"), grey[:1, :1])
    cv2.imwrite(str(folder / "good.tif"), grey)
    cv2.imwrite(str(folder / "good.jpg"), grey)
    inks = Image.fromarray(np.full((*SIZE, 4), 90, np.uint8), "CMYK")
    inks.save(folder / "inks.tif")
    inks.save(folder / "inks.jpg")
    tifffile.imwrite(folder / "lab.tif", grey, photometric="cielab")
    tifffile.imwrite(folder / "words.tif", grey.astype(np.uint32), photometric="rgb")


def write_exr(path, channels, **header):
    header = {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage, **header}
    OpenEXR.File(header, {name: np.ascontiguousarray(plane) for name, plane in channels.items()}).write(str(path))


def write_exrs(folder):
    """EXR files that hold no picture of light."""
    light = np.full((*SIZE, 3), 0.2, np.float16)
    write_exr(folder / "good.exr", {"RGB": light})
    write_exr(folder / "all_nan.exr", {"RGB": np.full_like(light, np.nan)})
    odd = light.copy()
    odd[7, 9, 1] = np.inf
    write_exr(folder / "infinite.exr", {"RGB": odd})
    write_exr(folder / "depth_only.exr", {"Z": np.ones(SIZE, np.float32)})
    write_exr(folder / "red_only.exr", {"R": light[..., 0]})
    write_exr(folder / "no_blue.exr", {"R": light[..., 0], "G": light[..., 1]})
    write_exr(folder / "chroma.exr", {"Y": light[..., 0], "RY": light[..., 1], "BY": light[..., 2]})
    write_deep(folder / "deep.exr")
    write_exr(folder / "ids.exr", {"RGB": np.ones((*SIZE, 3), np.uint32)})
    write_exr(folder / "dot.exr", {"RGB": light[:1, :1]})


def write_deep(path):
    """One sample of light in every pixel, as deep data."""
    spec = oiio.ImageSpec(SIZE[1], SIZE[0], 3, "float")
    spec.deep = True
    deep = oiio.DeepData()
    deep.init(SIZE[0] * SIZE[1], 3, [oiio.TypeFloat] * 3, list("RGB"))
    for pixel in range(SIZE[0] * SIZE[1]):
        deep.set_samples(pixel, 1)
        for channel in range(3):
            deep.set_deep_value(pixel, channel, 0, 0.2)
    out = oiio.ImageOutput.create(str(path))
    assert out.open(str(path), spec) and out.write_deep_image(deep)
    out.close()


def write_sequences(folder, room):
    """Numbered stills with a gap, with two sizes, with two names for one number, each in a folder."""
    for name in ("gaps", "sizes", "doubles", "mixed", "cut_still", "names", "turned"):
        (folder / name).mkdir()
    for number in range(1, 6):
        codes = (room.filmed(number)[..., ::-1].clip(0, 1) * 65535).astype(np.uint16)
        if number != 3:
            cv2.imwrite(str(folder / f"gaps/s.{number:04d}.png"), codes)
        cv2.imwrite(str(folder / f"sizes/s.{number:04d}.png"), codes if number != 4 else codes[:40])
        for digits in (2, 4):
            cv2.imwrite(str(folder / f"doubles/s.{number:0{digits}d}.png"), codes)
        cv2.imwrite(str(folder / f"cut_still/s.{number:04d}.png"), codes)
        exif = Image.Exif()
        exif[0x0112] = 3 if number == 4 else 1  # of Exif: upside down
        small = Image.fromarray((codes[..., ::-1] // 257).astype(np.uint8))
        small.save(folder / f"turned/s.{number:04d}.png", exif=exif)
        kind = "png" if number < 4 else "tif"
        cv2.imwrite(str(folder / f"mixed/s.{number:04d}.{kind}"), codes)
        cv2.imwrite(str(folder / f"names/{'ab'[number % 2]}.{number:04d}.png"), codes)
    cut = folder / "cut_still/s.0004.png"
    cut.write_bytes(cut.read_bytes()[:900])


def write_sounds(folder):
    with wave.open(str(folder / "good.wav"), "wb") as sound:
        sound.setparams((1, 2, 48_000, 0, "NONE", "not compressed"))
        sound.writeframes(np.zeros(48_000, np.int16).tobytes())
    with wave.open(str(folder / "silence_of_no_length.wav"), "wb") as sound:
        sound.setparams((1, 2, 48_000, 0, "NONE", "not compressed"))


TABLES = {
    "good.csv": "frame,gain\n1001,1\n1020,0.5\n",
    "columns.csv": "time,level\n1001,1\n",
    "decimal_comma.csv": "frame;gain\n1001;0,5\n1002;0,7\n",
    "words.csv": "frame,gain\n1001,bright\n",
    "nan.csv": "frame,gain\n1001,nan\n",
    "infinite.csv": "frame,gain\n1001,inf\n",
    "negative.csv": "frame,gain\n1001,-2\n",
    "twice.csv": "frame,gain\n1001,1\n1001,2\n",
    "no_rows.csv": "frame,gain\n",
    "short_row.csv": "frame,gain\n1001\n",
    "gap.csv": "frame,gain\n1001,1\n1003,1\n",
    "empty.csv": "",
    "weights_twice.csv": "still,weight\n9,1\n9,1\n",
    "track_back.csv": "frame,x,y\n1002,5,5\n1001,5,5\n",
    "huge.csv": "frame,gain\n" + "9" * 400 + ",1\n",
    "weights_unknown.csv": "still,weight\n999,1\n",
    "weights_negative.csv": "still,weight\n9,-1\n",
    "track_columns.csv": "frame,x\n1001,5\n",
    "track_nan.csv": "frame,x,y\n1001,nan,5\n",
}


def write_tables(folder):
    for name, text in TABLES.items():
        (folder / name).write_text(text)
    (folder / "utf16.csv").write_bytes(TABLES["good.csv"].encode("utf-16"))
    (folder / "utf16.toml").write_bytes("[shot]\n".encode("utf-16"))
    (folder / "latin.toml").write_bytes('[shot]\nname = "sch\xf6n"\n'.encode("latin-1"))
    (folder / "large.toml").write_bytes(b"#" * (9 * 2**20))
    (folder / "not.json").write_text("{ this is none")
    (folder / "list.json").write_text("[1, 2]")
    (folder / "other.json").write_text(json.dumps({"kind": "something else"}))
    (folder / "locked.mkv").write_bytes((folder / "good.mkv").read_bytes())
    os.chmod(folder / "locked.mkv", 0)


def cut_files(folder):
    """Cut good files off in their middle."""
    for name in ("good.mkv", "good.mp4", "good.png", "good.tif", "good.jpg", "good.exr", "good.wav"):
        whole = (folder / name).read_bytes()
        share = 0.6 if name.endswith(("mkv", "mp4")) else 0.4
        (folder / f"cut.{name.split('.')[1]}").write_bytes(whole[: int(len(whole) * share)])
