"""Made takes as the checks of framing read them."""

import numpy as np

from lightstack.core.register.register import solve_take
from lightstack.records import NoiseModel, ProxyTake

NOISE = NoiseModel(np.full(3, 4e-4), np.full(3, 4e-6))


def proxy_of(take, *, factor=3, noise=NOISE):
    """Pose a made take as a survey of pictures ``factor`` times as large."""
    n, h, w = take.rgb.shape[:3]
    return ProxyTake(
        name="take",
        rgb=take.rgb,
        clipped=np.zeros((n, h, w), np.uint8),
        source_frames=np.arange(1, n + 1),
        seconds=np.arange(n) / 24,
        factor=factor,
        full_size=(h * factor, w * factor),
        noise_full=noise,
        noise_proxy=noise,
        duplicate=np.zeros(n, bool),
    )


def register(proxies, *, lit=None):
    """Register a take against its own frames."""
    return solve_take(
        lambda k: proxies.rgb[k],
        len(proxies),
        None,
        source_frames=proxies.source_frames,
        factor=proxies.factor,
        noise=proxies.noise_proxy,
        lit=np.zeros(len(proxies), bool) if lit is None else lit,
    )


def figure(finding, name):
    """The value of a finding's figure."""
    return next(one.value for one in finding.figures if one.name == name)
