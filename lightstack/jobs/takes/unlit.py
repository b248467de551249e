"""Which frames of a surveyed sweep show the room without the lamp, judged in the camera's own primaries."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.gamut import MUCH_BEYOND, share_beyond
from lightstack.core.colour.light import convert_matrix
from lightstack.core.colour.measured import find_curve_of, name_curve
from lightstack.core.half import to_float
from lightstack.core.sweep.survey import find_lamp_off
from lightstack.errors import UnusableTake
from lightstack.jobs.takes.footage import FittedTake
from lightstack.jobs.takes.survey import measure_proxy_noise
from lightstack.records import Encoding, ProxyTake

CODES = 3.0  # by which a heavily coded picture may be off at black


@dataclass(frozen=True, slots=True)
class OwnLight:
    """Surveyed pictures in the primaries that the camera recorded, made as they are asked for."""

    rgb: NDArray[np.float16]
    matrix: NDArray[np.float32]

    @property
    def shape(self) -> tuple[int, ...]:
        return self.rgb.shape

    def __len__(self) -> int:
        return len(self.rgb)

    def __getitem__(self, k: int) -> NDArray[np.float32]:
        return to_float(self.rgb[k]) @ self.matrix.T


def find_unlit(proxies: ProxyTake, fitted: FittedTake, bare: NDArray[np.float32] | None) -> NDArray[np.bool_]:
    """Find the frames without the lamp, (n,) bool; ``bare``: the empty take's mean where there is one.

    Notes: light only adds in the camera's own primaries. In narrower ones a saturated lamp takes from a channel, and
    the unlit room would seem brighter than the lit one. A codec that keeps its errors from frame to frame hides them
    from a comparison of neighbours: where no frame is found, noise of three codes is taken for granted.
    """
    found = find_unlit_by(proxies, fitted, bare)
    if found.any() or (step := code_step(fitted.take.info.encoding)) == 0:
        return found
    noise = proxies.noise_proxy
    coded = replace(noise, b=np.maximum(noise.b, (CODES * step) ** 2))
    return find_unlit_by(replace(proxies, noise_proxy=coded), fitted, bare, measured=False)


def code_step(encoding: Encoding, level: float = 0.0) -> float:
    """Return the linear size of one code at a level; 0 for float footage and where a configuration decodes."""
    curve = find_curve_of(encoding)
    if curve is None or encoding.is_float or encoding.ocio_space is not None:
        return 0.0
    codes = (219 if encoding.range == "limited" else 255) * 2 ** (encoding.bit_depth - 8)
    signal = curve.encode(np.array(level))
    return float(curve.decode(signal + 1 / codes) - curve.decode(signal))


def find_unlit_by(
    proxies: ProxyTake, fitted: FittedTake, bare: NDArray[np.float32] | None, *, measured: bool = True
) -> NDArray[np.bool_]:
    """Find the frames without the lamp by the proxies' noise; ``measured``: anew where the primaries are not the
    camera's."""
    encoding, working = fitted.take.info.encoding, fitted.take.working
    if working in (None, encoding.primaries) or encoding.ocio_space is not None:
        return find_lamp_off(proxies, ambient=bare)
    back = np.linalg.inv(convert_matrix(encoding.primaries, working)).astype(np.float32)
    own = replace(proxies, rgb=OwnLight(proxies.rgb, back))  # type: ignore[arg-type]
    try:
        own = own if not measured else replace(own, noise_proxy=measure_proxy_noise(own, np.arange(len(own))))
    except UnusableTake:  # a render without noise
        return find_lamp_off(proxies, ambient=bare)
    return find_lamp_off(own, ambient=None if bare is None else bare @ back.T)


def doubt_primaries(proxies: ProxyTake, fitted: FittedTake) -> str:
    """Return the end of a line that doubts the named primaries where much of a take is darker than black in them."""
    some = np.unique(np.linspace(0, len(proxies) - 1, 24).astype(int))
    worst = max(share_beyond(to_float(proxies.rgb[k]), noise=proxies.noise_proxy) for k in some)
    if worst < MUCH_BEYOND:
        return ""
    encoding = fitted.take.info.encoding
    return (
        f"; {worst:.0%} of a picture has light below zero, as where primaries are named that the camera did not "
        f"record: check `colour`, read as {name_curve(encoding)}/{encoding.primaries}"
    )
