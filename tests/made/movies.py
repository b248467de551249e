"""Made takes as movie files, for tests from end to end."""

from fractions import Fraction

import av
import numpy as np

FORMATS = {
    ("rgb", 8): "gbrp", ("rgb", 10): "gbrp10le",
    ("444", 8): "yuv444p", ("444", 10): "yuv444p10le",
    ("422", 8): "yuv422p", ("422", 10): "yuv422p10le",
    ("420", 8): "yuv420p", ("420", 10): "yuv420p10le",
}  # fmt: skip


def write_movie(room, path, *, frames=None, codec="ffv1", rate=Fraction(24), options=None, tagged=True):
    """Write a made take as a movie: "ffv1" (lossless), "libx264", "prores_ks", "mjpeg" ...

    ``frames``: indices, all by default. ``tagged``: state range, matrix, primaries and (for BT.709) the
    curve.
    """
    h, w = room.size
    pixel_format = FORMATS[room.chroma, room.bits]
    if codec == "ffv1" and pixel_format == "gbrp":
        pixel_format = "bgr0"
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=rate, options=options or {})
        stream.width, stream.height, stream.pix_fmt, stream.thread_count = w, h, pixel_format, 1
        if tagged:
            context = stream.codec_context
            context.color_range = 2 if room.chroma == "rgb" else 1
            context.colorspace = 0 if room.chroma == "rgb" else 1
            context.color_primaries = 1
            context.color_trc = 1 if room.curve == "bt709" else 2
        for count, k in enumerate(range(len(room)) if frames is None else frames):
            frame = pack_frame(room.planes(k), pixel_format)
            frame.pts, frame.time_base = count, 1 / Fraction(rate)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def pack_frame(planes, pixel_format):
    """Planes as an ``av.VideoFrame`` without any conversion."""
    if pixel_format == "bgr0":
        rgb = planes[0]
        planes = (np.dstack([rgb[..., ::-1], np.zeros_like(rgb[..., :1])]).reshape(rgb.shape[0], -1),)
        frame = av.VideoFrame(planes[0].shape[1] // 4, planes[0].shape[0], pixel_format)
    else:
        if len(planes) == 1:
            planes = tuple(planes[0][..., c] for c in (1, 2, 0))  # planar RGB is stored G, B, R
        frame = av.VideoFrame(planes[0].shape[1], planes[0].shape[0], pixel_format)
    for plane, values in zip(frame.planes, planes, strict=True):
        buffer = np.frombuffer(plane, np.uint8).reshape(plane.height, plane.line_size)
        rows = np.ascontiguousarray(values).view(np.uint8).reshape(values.shape[0], -1)
        buffer[:, : rows.shape[1]] = rows
    return frame
