"""Encodings and surveyed takes for the tests of the core."""

import numpy as np
from made import proxy_arrays

from lightstack.records import Encoding, NoiseModel, ProxyTake


def make_encoding(**changes):
    """A 10-bit BT.709 limited-range 4:2:0 encoding, changed as asked."""
    usual = {
        "matrix": "bt709",
        "range": "limited",
        "bit_depth": 10,
        "chroma": "420",
        "chroma_location": "left",
        "transfer": "bt709",
        "primaries": "bt709",
    }
    return Encoding(**{**usual, **changes})


def make_proxies(take, *, factor=1, rate=24.0, seconds=None, noise=None):
    """Survey a made take (a room, or a faulty one) as the survey pass would, noise told rather than measured."""
    rgb, clipped, frames = proxy_arrays(take, factor=factor)
    return pack_proxies(
        rgb,
        clipped=clipped,
        frames=frames,
        seconds=seconds,
        rate=rate,
        factor=factor,
        full_size=take.size,
        noise=noise or NoiseModel(*(np.full(3, n / factor**2) for n in take.noise), factor),
    )


def pack_proxies(rgb, *, clipped=None, frames=None, seconds=None, rate=24.0, factor=1, full_size=None, noise=None):
    """Pictures (n, h, w, 3) as a surveyed take."""
    n, h, w = rgb.shape[:3]
    rgb = np.asarray(rgb, np.float16)
    noise = noise or NoiseModel(np.full(3, 4e-4), np.full(3, 4e-6), factor)
    repeats = [False, *(bool(np.array_equal(a, b)) for a, b in zip(rgb[:-1], rgb[1:], strict=True))]
    return ProxyTake(
        name="take",
        rgb=rgb,
        clipped=np.zeros((n, h, w), np.uint8) if clipped is None else clipped,
        source_frames=np.arange(1, n + 1) if frames is None else frames,
        seconds=np.arange(n) / float(rate) if seconds is None else np.asarray(seconds, np.float64),
        factor=factor,
        full_size=full_size or (h * factor, w * factor),
        noise_full=noise,
        noise_proxy=noise,
        duplicate=np.array(repeats[:n], bool),
    )


def read_figures(finding):
    """A finding's figures by name."""
    return {figure.name: figure.value for figure in finding.figures}
