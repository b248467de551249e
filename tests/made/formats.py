"""Containers and codecs that takes are written in: movies, and PNG, DPX and OpenEXR sequences."""

from dataclasses import dataclass, field

import av
import cv2
import numpy as np

from made.movies import write_movie


@dataclass(frozen=True)
class Format:
    """``codec`` for movies, "png", "dpx" or "exr" for sequences; how the camera codes; ``colour`` to be named."""

    codec: str
    ending: str
    chroma: str = "420"
    bits: int = 8
    options: dict = field(default_factory=dict)
    colour: str | None = None


def _h264(crf, bits=8):
    return Format("libx264", "mp4", "420", bits, {"crf": str(crf), "preset": "veryfast"})


FORMATS = {f"h264-{crf}": _h264(crf) for crf in (12, 14, 16, 18, 20, 22, 23, 26)} | {
    "h264-20-10": _h264(20, 10),
    "h264-444": Format("libx264", "mp4", "444", 8, {"crf": "18"}),
    "prores": Format("prores_ks", "mov", "422", 10, {"profile": "3"}),
    "dnxhr": Format("dnxhd", "mov", "422", 8, {"profile": "dnxhr_hq"}),
    "ffv1-422": Format("ffv1", "mkv", "422", 10),
    "ffv1-444": Format("ffv1", "mkv", "444", 8),
    "png": Format("png", "png", "rgb", 16, colour="bt709"),
    "png8": Format("png", "png", "rgb", 8, colour="bt709"),
    "dpx": Format("dpx", "dpx", "rgb", 10, colour="bt709"),
    "exr": Format("exr", "exr", "rgb", 16, colour="linear"),
}


def write_take(room, folder, name, form):
    """Write a take; the path of the movie, or the pattern of its stills."""
    if form.codec not in ("png", "dpx", "exr"):
        options = dict(form.options)
        return write_movie(room, folder / f"{name}.{form.ending}", codec=form.codec, options=options)
    place = folder / name
    place.mkdir()
    for k in range(len(room)):
        write_still(room.planes(k)[0], place / f"{name}.{k + 1:04d}.{form.ending}", form)
    return place / f"{name}.####.{form.ending}"


def write_still(codes, path, form):
    """Write one picture of code values (H, W, 3); OpenEXR as linear halves."""
    if form.codec == "png":
        cv2.imwrite(str(path), codes[..., ::-1])
    elif form.codec == "exr":
        write_exr(codes, path, form.bits)
    else:
        write_dpx(codes, path)


def write_exr(codes, path, bits):
    import OpenEXR

    rgb = (codes / (2.0**bits - 1)).astype(np.float16)
    header = {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage}
    OpenEXR.File(header, {"RGB": OpenEXR.Channel(np.ascontiguousarray(rgb))}).write(str(path))


def write_dpx(codes, path):
    h, w = codes.shape[:2]
    with av.open(str(path), "w", format="image2", options={"update": "1"}) as container:
        stream = container.add_stream("dpx", rate=24)
        stream.width, stream.height, stream.pix_fmt = w, h, "gbrp10le"
        frame = av.VideoFrame(w, h, "gbrp10le")
        for plane, c in zip(frame.planes, (1, 2, 0), strict=True):
            rows = np.ascontiguousarray(codes[..., c]).view(np.uint8).reshape(h, -1)
            np.frombuffer(plane, np.uint8).reshape(plane.height, plane.line_size)[:, : rows.shape[1]] = rows
        container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
