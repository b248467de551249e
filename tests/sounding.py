"""Small heroes with sound, made with PyAV directly: independent of lightstack's own writer."""

from fractions import Fraction

import av
import numpy as np
from clips import TAGS_709, fill_frame

SAMPLE_RATE = 48_000
CHANNELS = {"mono": 1, "stereo": 2}
FRAME_SIZES = {"aac": 1024, "alac": 4096, "libmp3lame": 1152, "flac": 4608}


def make_samples(count, channels, dtype, seed=0):
    """A sweep with noise, (count, channels): no two stretches of it are alike."""
    rng = np.random.default_rng(seed)
    t = np.arange(count)
    tone = 0.4 * np.sin(2 * np.pi * (200 + 3000 * t / count) * t / SAMPLE_RATE)
    values = np.clip(tone[:, None] + 0.1 * rng.standard_normal((count, channels)), -0.99, 0.99)
    if dtype == np.float32:
        return values.astype(dtype)
    return (values * np.iinfo(dtype).max).astype(dtype)


def write_hero(
    path, pictures, *, sounds=("pcm_s16le",), rate=Fraction(24000, 1001), layout="stereo", late=0,
    pixel_format="yuv420p", codec="ffv1", metadata=None, turn=None, aspect=None, tags=TAGS_709,
):  # fmt: skip
    """Write ``pictures`` with tracks of sound, ``late`` samples after them; return each track's samples."""
    height, width = pictures[0][0].shape
    count = int(len(pictures) / rate * SAMPLE_RATE)
    with av.open(str(path), "w") as container:
        container.metadata.update(metadata or {})
        video = container.add_stream(codec, rate=rate)
        video.width, video.height, video.pix_fmt = width, height, pixel_format
        for name, value in tags.items():
            setattr(video.codec_context, name, value)
        if turn:
            video.set_display_rotation(turn)
        video.codec_context.options = {"aspect": aspect} if aspect else {}
        tracks = [_add_track(container, name, layout, count, seed) for seed, name in enumerate(sounds)]
        for number, planes in enumerate(pictures):
            frame = av.VideoFrame(width, height, pixel_format)
            fill_frame(frame, planes)
            for name, value in tags.items():
                setattr(frame, name, value)
            frame.pts, frame.time_base = number, 1 / rate
            container.mux(video.encode(frame))
            for stream, samples in tracks:
                _sound_until(container, stream, samples, layout, late, number, rate)
        container.mux(video.encode(None))
        for stream, _ in tracks:
            container.mux(stream.encode(None))
    return [samples for _, samples in tracks]


def _add_track(container, name, layout, count, seed):
    stream = container.add_stream(name, rate=SAMPLE_RATE, layout=layout)
    if name == "aac":  # noise that a decoder makes up differs from where decoding began
        stream.codec_context.options = {"aac_pns": "0"}
    dtype = {"s16": np.int16, "s32": np.int32, "flt": np.float32}[stream.codec_context.format.packed.name]
    samples = make_samples(count, CHANNELS[layout], dtype, seed)
    return stream, (samples >> 8) << 8 if name in ("pcm_s24le", "alac") else samples


def _sound_until(container, stream, samples, layout, late, number, rate):
    """Write the pieces that begin while frame ``number`` shows."""
    size = FRAME_SIZES.get(stream.codec_context.name, 1000)
    form = stream.codec_context.format
    first = -(-int(number / rate * SAMPLE_RATE) // size)
    last = -(-int((number + 1) / rate * SAMPLE_RATE) // size)
    for place in range(first * size, min(last * size, len(samples)), size):
        piece = samples[place : place + size]
        flat = piece.T if form.is_planar else piece.reshape(1, -1)
        frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(flat), format=form.name, layout=layout)
        frame.sample_rate, frame.pts, frame.time_base = SAMPLE_RATE, place + late, Fraction(1, SAMPLE_RATE)
        container.mux(stream.encode(frame))


def read_sound(path, track=0):
    """Decode a track: (seconds of its first sample, samples (n, channels), codec)."""
    with av.open(str(path)) as container:
        stream = container.streams.audio[track]
        start, pieces = None, []
        for frame in container.decode(stream):
            start = frame.pts * frame.time_base if start is None else start
            values = frame.to_ndarray()
            pieces.append(values.T if frame.format.is_planar else values.reshape(frame.samples, -1))
        return start, np.concatenate(pieces), stream.codec_context.name
