"""Surface patterns made from seeded noise: linear reflectances ``(H, W, 3)`` float32, 0..1."""

from __future__ import annotations

import functools

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Picture = NDArray[np.float32]


def make_noise(rng: np.random.Generator, size: int, *, cells: tuple[float, float], octaves: int = 4) -> Picture:
    """Make wrap-around noise ``(size, size)`` with zero mean and unit deviation.

    ``cells``: number of blobs down and across at the coarsest octave; each octave doubles both and
    halves the weight.
    """
    down, across = np.meshgrid(np.fft.fftfreq(size), np.fft.rfftfreq(size), indexing="ij")
    total = np.zeros((size, size))
    for octave in range(octaves):
        sigma = [size / (count * 2**octave) / 2.5 for count in cells]
        blur = np.exp(-2 * np.pi**2 * ((sigma[0] * down) ** 2 + (sigma[1] * across) ** 2))
        layer = np.fft.irfft2(np.fft.rfft2(rng.standard_normal((size, size))) * blur, s=(size, size))
        total += layer / max(layer.std(), 1e-12) / 2**octave
    return ((total - total.mean()) / total.std()).astype(np.float32)


def paint(tone: NDArray, colour: tuple[float, float, float]) -> Picture:
    """Multiply a colour by a tone ``(H, W)`` around 1, kept within 0.01..0.95."""
    return np.clip(tone[..., None] * np.float32(colour), 0.01, 0.95).astype(np.float32)


@functools.cache
def make_planks(
    seed: int, colour: tuple[float, float, float], *, boards: int = 8, size: int = 1024, wear: float = 0.12
) -> Picture:
    """Make boards that run along the picture's columns (down), with grain, knots, joints and wear."""
    rng = np.random.default_rng(seed)
    across = np.arange(size) * boards / size
    board, inside = across.astype(int), across % 1
    grain = make_noise(rng, size, cells=(3, 90), octaves=3)
    slow = make_noise(rng, size, cells=(4, 5), octaves=3)
    tone = 1 + 0.16 * grain + wear * slow
    tone *= 1 + rng.uniform(-0.22, 0.22, boards)[board][None, :]
    for column in range(boards):
        joint = rng.integers(size)
        low, high = column * size // boards, (column + 1) * size // boards
        tone[joint : joint + 4, low:high] *= 0.25
        for _ in range(3):
            place = np.array([rng.integers(size), rng.integers(low, high)])
            tone = _add_knot(tone, place, rng.uniform(5, 11))
    gap = np.minimum(inside, 1 - inside) * size / boards
    tone *= np.where(gap < 2.2, 0.22, 1.0)[None, :]
    return paint(tone, colour)


def _add_knot(tone: NDArray, place: NDArray, radius: float) -> NDArray:
    reach = int(4 * radius)
    rows = np.arange(max(place[0] - reach, 0), min(place[0] + reach, tone.shape[0]))
    columns = np.arange(max(place[1] - reach, 0), min(place[1] + reach, tone.shape[1]))
    if not len(rows) or not len(columns):
        return tone
    distance = np.hypot((rows[:, None] - place[0]) / 1.6, columns[None, :] - place[1]) / radius
    tone[np.ix_(rows, columns)] *= 1 - 0.6 * np.exp(-(distance**2)) + 0.08 * np.sin(6 * distance) * (distance < 3)
    return tone


@functools.cache
def make_plaster(seed: int, colour: tuple[float, float, float], *, size: int = 1024) -> Picture:
    """Make old limewash: clouds, trowel marks, a few dark stains and hairline cracks."""
    rng = np.random.default_rng(seed)
    tone = 1 + 0.09 * make_noise(rng, size, cells=(4, 4), octaves=6)
    tone += 0.05 * make_noise(rng, size, cells=(40, 14), octaves=3)
    cracks = np.abs(make_noise(rng, size, cells=(5, 5), octaves=4))
    tone *= np.where(cracks < 0.012, 0.6, 1.0)
    stain = make_noise(rng, size, cells=(2, 3), octaves=5)
    tone *= 1 - 0.3 * np.clip(stain - 1.0, 0, 1)
    return paint(ndimage.gaussian_filter(tone, 0.7, mode="wrap"), colour)


@functools.cache
def make_speckle(seed: int, colour: tuple[float, float, float], *, depth: float = 0.2, size: int = 256) -> Picture:
    """Make an even, slightly mottled surface: felt, tin, painted wood, cloth."""
    rng = np.random.default_rng(seed)
    tone = 1 + depth * 0.6 * make_noise(rng, size, cells=(60, 60), octaves=2)
    return paint(tone + depth * make_noise(rng, size, cells=(4, 4), octaves=4), colour)


@functools.cache
def make_rug(seed: int, *, size: int = 512) -> Picture:
    """Make a worn woven rug: bands, lozenges and fringed borders."""
    rng = np.random.default_rng(seed)
    v, u = np.mgrid[0:size, 0:size] / size
    lozenge = np.abs((u * 6) % 1 - 0.5) + np.abs((v * 9) % 1 - 0.5)
    picture = np.where((lozenge < 0.34)[..., None], np.float32([0.42, 0.33, 0.2]), np.float32([0.26, 0.07, 0.05]))
    border = np.minimum(np.minimum(u, 1 - u), np.minimum(v, 1 - v))
    picture = np.where(((border > 0.05) & (border < 0.09))[..., None], np.float32([0.08, 0.12, 0.17]), picture)
    weave = 1 + 0.14 * np.sin(2 * np.pi * 128 * u) * np.sin(2 * np.pi * 128 * v)
    worn = 1 + 0.12 * make_noise(rng, size, cells=(5, 5), octaves=4)
    return np.clip(picture * (weave * worn)[..., None], 0.01, 0.95).astype(np.float32)


@functools.cache
def make_spines(seed: int, *, books: int = 14, size: int = 512) -> Picture:
    """Make a row of book spines of different cloths with plain raised bands."""
    rng = np.random.default_rng(seed)
    edges = np.sort(rng.uniform(0, 1, books - 1))
    index = np.searchsorted(edges, np.linspace(0, 1, size, endpoint=False))
    cloth = np.float32([[0.3, 0.08, 0.06], [0.08, 0.16, 0.1], [0.1, 0.12, 0.22], [0.34, 0.26, 0.14], [0.16, 0.1, 0.07]])
    picture = np.repeat(cloth[rng.integers(len(cloth), size=books)][index][None], size, axis=0).copy()
    rows = np.linspace(0, 1, size)[:, None]
    for at in (0.15, 0.3, 0.75):
        picture[np.abs(rows[:, 0] - at) < 0.012] *= 1.8
    picture[:, np.flatnonzero(np.diff(index, prepend=index[0]))] *= 0.2
    return np.clip(picture * (1 + 0.12 * make_noise(rng, size, cells=(30, 30)))[..., None], 0.01, 0.9).astype(
        np.float32
    )
