"""Made takes of one framing in which somebody stands: the set's truth, and how it looks with a figure at places."""

from dataclasses import dataclass

import numpy as np

from made.camera import develop, expose, gather
from made.people import figure
from made.rooms import OVER, _dark_plan, _shade, _trace
from made.scene import make_scene

LIGHT, DARK, RED = (0.45, 0.42, 0.36), (0.035, 0.035, 0.042), (0.3, 0.1, 0.08)
SWAY = (0.0, 0.015, 0.03, -0.02, 0.01)  # metres
FEET = tuple((-0.3 + d, 2.2, 0.4 + 0.5 * d, 1.1 + d) for d in SWAY) + (
    (0.6, 2.6, 0.4, 1.2),
    (-1.0, 2.8, 0.4, 1.0),
    (0.1, 1.8, 0.3, 1.3),
)  # x and z of the feet, where the hand is


@dataclass(frozen=True, eq=False)
class Standing:
    """``empty`` (H, W, 3) the noise-free set; ``with_figure`` [places] of the same; ``covers`` [places] (H, W) bool.

    Places 0 to 4 are one stand, swaying by centimetres; 5 to 7 are elsewhere.
    """

    seed: int
    empty: np.ndarray
    with_figure: list
    covers: list

    def film(self, places, *, noise=(4e-4, 4e-6), bits=10):
        """Filmed frames (n, H, W, 3) float32 linear; ``places``: per frame an index, or None for nobody."""
        return np.stack([develop(p, bits=bits) for p in self.planes(places, noise=noise, bits=bits)])

    def planes(self, places, *, noise=(4e-4, 4e-6), bits=10, chroma="rgb", curve="bt709"):
        """The same as code values, one frame after the other."""
        for k, place in enumerate(places):
            light = self.empty if place is None else self.with_figure[place]
            rng = np.random.default_rng([self.seed, k])
            yield expose(light, rng, noise=noise, bits=bits, curve=curve, chroma=chroma)

    def covered(self, places):
        """Share of the frames in which each pixel is covered, (H, W)."""
        return np.mean([np.zeros(self.empty.shape[:2]) if p is None else self.covers[p] for p in places], axis=0)


def make_standing(seed, *, size=(112, 200), cloth=LIGHT, feet=FEET):
    """Draw a room without its lamp, and the same with a figure at each of ``feet``."""
    scene = make_scene(np.random.default_rng([seed, 31]), gel="violet", mirror=True, unreached=False, dim_corner=False)
    ball = np.array([[0, 0, 0], [1, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]]) / np.sqrt(3) * 0.8
    traced = _trace(scene, size, np.eye(3))
    lamp, at, patches, nobody = _dark_plan(scene, ball)

    def draw(people):
        radiance, _, person = _shade(scene, traced, (lamp, at, patches, people))
        return gather(radiance, size, OVER), person.reshape(size[0], OVER, size[1], OVER).max((1, 3)) > 0

    seen = [draw(figure(np.array([x + dx, y, z]), np.array([x, z]), cloth)) for x, z, dx, y in feet]
    return Standing(seed, draw(nobody)[0], [light for light, _ in seen], [mask for _, mask in seen])


def sway(k):
    """The place of somebody who stands and sways, by frame."""
    return (k // 7) % len(SWAY)
