"""Photographs that come with general-purpose libraries, as sets that a still camera films. Nothing here imports the
package under test."""

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from made.camera import expose

PHOTOS = ("astronaut", "coffee", "chelsea", "rocket", "motorcycle_left", "china")
FRAMES = 48
LEAD = 12  # frames before and after whatever happens
TOP = 0.28  # linear light of the photograph's white: nothing of the set is clipped
GEL = np.float32([1.0, 0.3, 2.0])


@lru_cache(maxsize=2)
def load_photo(name, size=None):
    """A photograph as linear light, (H, W, 3) float32, sides even; sRGB decoded (IEC 61966-2-1).

    ``size``: (H, W) to which it is mirrored on at its edges, its pixels as they are.
    """
    if name == "china":
        from sklearn.datasets import load_sample_image

        codes = load_sample_image("china.jpg")
    else:
        from pathlib import Path

        import skimage

        codes = cv2.imread(str(next((Path(skimage.__file__).parent / "data").glob(f"{name}.*"))))[..., ::-1]
    if size is not None:
        room = [(0, max(0, side - have)) for side, have in zip(size, codes.shape, strict=False)]
        codes = np.pad(codes, (*room, (0, 0)), mode="symmetric")[: size[0], : size[1]]
    v = codes[: codes.shape[0] // 2 * 2, : codes.shape[1] // 2 * 2].astype(np.float32) / 255
    return TOP * np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)


@dataclass(frozen=True)
class PhotoTake:
    """A photograph filmed for ``FRAMES`` frames: "still", "crossed" (an even body crosses it), "soft" (a soft coloured
    light is carried past, after and before frames without it)."""

    name: str
    take: str
    noise: tuple
    curve: str
    bits: int
    chroma: str
    full: tuple | None = None

    def __len__(self):
        return FRAMES

    @property
    def size(self):
        return load_photo(self.name, self.full).shape[:2]

    def seen(self, k):
        picture = load_photo(self.name, self.full)
        share = (k - LEAD) / (FRAMES - 2 * LEAD)
        if self.take == "still" or not 0 <= share < 1:
            return picture
        h, w = self.size
        y, x = np.mgrid[0:h, 0:w].astype(np.float32) / np.float32(w)
        at = (0.05 + 0.9 * share, h / w * (0.5 + 0.25 * np.sin(5 * share)))
        if self.take == "soft":
            fall = 0.15 / ((x - at[0]) ** 2 + (y - at[1]) ** 2 + 0.15)
            return picture * (1 + fall[..., None] * GEL)
        far = np.hypot((x - at[0]) / 0.07, (y - h / w * 0.7) / (0.45 * h / w))
        soft = 1 / (1 + np.exp(np.minimum((far - 1) * 60, 60)))
        cloth = np.float32([0.11, 0.09, 0.08]) * (1 + 0.25 * np.sin(90 * (x - at[0]) + 40 * y))[..., None]
        return picture * (1 - soft[..., None]) + cloth * soft[..., None]

    def planes(self, k):
        rng = np.random.default_rng([len(self.name), 7901, k, len(self.take)])
        return expose(self.seen(k), rng, noise=self.noise, bits=self.bits, curve=self.curve, chroma=self.chroma)


def film_photo(name, take, *, noise, curve, form, size=None):
    return PhotoTake(name, take, noise, curve, form.bits, form.chroma, size)
