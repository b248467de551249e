"""Small movies for tests, made with PyAV directly: independent of lightstack's own writer."""

from fractions import Fraction

import av
import numpy as np

# Numbers of ITU-T H.273.
TAGS_709 = {"color_range": 1, "colorspace": 1, "color_trc": 1, "color_primaries": 1}


def fill_frame(frame, planes):
    """Copy 2-D planes into an av.VideoFrame (gbrp order as the frame stores it)."""
    for plane, values in zip(frame.planes, planes, strict=True):
        lines = np.frombuffer(plane, values.dtype).reshape(-1, plane.line_size // values.itemsize)
        lines[: values.shape[0], : values.shape[1]] = values


def flat_planes(size, pixel_format, codes):
    """Planes of one colour; ``codes`` per plane."""
    fmt = av.VideoFormat(pixel_format, size[1], size[0])
    dtype = np.uint8 if fmt.components[0].bits == 8 else np.uint16
    return tuple(
        np.full((part.height, part.width), code, dtype)
        for part, code in zip(fmt.components, codes, strict=True)
    )


def write_clip(
    path,
    pictures,
    *,
    codec="libx264",
    pixel_format="yuv420p",
    rate=Fraction(24000, 1001),
    options=None,
    tags=None,
    gop=12,
    times=None,
    time_base=None,
    turn=None,
    metadata=None,
    container_format=None,
    interlaced=False,
):
    """Write ``pictures`` (plane tuples) as a movie; ``turn``: display matrix, degrees counter-clockwise."""
    height, width = pictures[0][0].shape
    with av.open(str(path), "w", format=container_format) as container:
        container.metadata.update(metadata or {})
        stream = container.add_stream(codec, rate=rate)
        stream.width, stream.height, stream.pix_fmt = width, height, pixel_format
        context = stream.codec_context
        context.options = options or {}
        context.gop_size = gop
        context.thread_count = 1
        if time_base:
            context.time_base = time_base
        for name, value in (tags or {}).items():
            setattr(context, name, value)
        if interlaced:
            context.flags |= av.codec.context.Flags.interlaced_dct
        if turn:
            stream.set_display_rotation(turn)
        for number, planes in enumerate(pictures):
            frame = av.VideoFrame(width, height, pixel_format)
            fill_frame(frame, planes)
            for name, value in (tags or {}).items():
                setattr(frame, name, value)
            frame.pts = number if times is None else times[number]
            frame.time_base = time_base or 1 / rate
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def moving_pictures(count, size=(48, 64), dtype=np.uint8, chroma="420"):
    """``count`` different pictures; luma tells the frame number apart, chroma drifts."""
    scale = 1 if dtype == np.uint8 else 4
    y, x = np.mgrid[0 : size[0], 0 : size[1]]
    low = (-(-size[0] // 2) if chroma == "420" else size[0], size[1] if chroma == "444" else -(-size[1] // 2))
    pictures = []
    for i in range(count):
        luma = (60 + 3 * (i % 40) + (x + 2 * y + 5 * i) % 32) * scale
        pictures.append(
            (
                luma.astype(dtype),
                np.full(low, (120 + i % 16) * scale, dtype),
                np.full(low, (132 - i % 8) * scale, dtype),
            )
        )
    return pictures
