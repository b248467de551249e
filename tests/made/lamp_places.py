"""Where the lamp of a made room truly was, and that room lit by the lamp from anywhere else."""

from dataclasses import dataclass

import numpy as np

from made.camera import gather
from made.people import NOBODY, plan_walk
from made.rooms import OVER, _dark_plan, _shade, _trace
from made.scene import make_scene, wall_patches

BALL = np.array([[0, 0, 0], [1, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]]) / np.sqrt(3) * 0.8
FILL = 0.8  # as `make_room` has it for plain rooms


@dataclass(frozen=True, eq=False)
class LitRoom:
    """A plain made room without noise and without anybody, to be lit from anywhere.

    ``lamp``: (n, 3) metres, of the frames with the lamp on, in order; ``lit``: (n_all,) bool.
    """

    scene: object
    size: tuple
    lamp: np.ndarray
    lit: np.ndarray
    strength: float

    def lights_from(self, places):
        """Yield the lamp's light alone, (H, W, 3) float32, with the lamp at each of (n, 3) metres, not to be seen."""
        traced = _trace(self.scene, self.size, np.eye(3))
        dark = gather(_shade(self.scene, traced, _dark_plan(self.scene, BALL))[0], self.size, OVER)
        for place in np.atleast_2d(np.asarray(places, float)):
            at = np.ascontiguousarray(place + 0.045 * BALL)
            patches = wall_patches(self.scene.room, place, self.strength)
            plan = np.array([self.strength, 0.045, 1.0, 0.0, FILL]), at, patches, NOBODY
            yield (gather(_shade(self.scene, traced, plan)[0], self.size, OVER) - dark).astype(np.float32)

    def fresh_places(self, count, aside, rng):
        """Places (count, 3) metres where the lamp never was: ``aside`` of its way, and within the room."""
        found, low, high = [], self.scene.room[:3] + 0.15, self.scene.room[3:] - 0.15
        for k in np.linspace(2, len(self.lamp) - 3, count).astype(int):
            ahead = self.lamp[k + 1] - self.lamp[k - 1]
            ahead /= np.linalg.norm(ahead)
            for _ in range(50):
                out = rng.standard_normal(3)
                out -= (out @ ahead) * ahead
                place = self.lamp[k] + aside * out / np.linalg.norm(out)
                if (place > low).all() and (place < high).all():
                    found.append(place)
                    break
        return np.array(found)

    def picture_place(self, place):
        """Where (n, 3) metres show in the picture: (n, 2) pixels, centres at .5; NaN behind the camera."""
        seen = (np.atleast_2d(place) - self.scene.eye) @ self.scene.basis.T
        with np.errstate(divide="ignore", invalid="ignore"):
            flat = seen[:, :2] / seen[:, 2:] * (self.size[1] / 2 / self.scene.tangent)
        flat += np.array([self.size[1] / 2, self.size[0] / 2])
        return np.where(seen[:, 2:] > 0.05, flat, np.nan)

    def distance(self, place):
        """How far (n, 3) metres lie from the camera, (n,)."""
        return np.linalg.norm(np.atleast_2d(place) - self.scene.eye, axis=1)


def open_lit_room(seed, *, size=(180, 320), frames=100, lead=12, gel="violet", backwards=False, strength=1.3):
    """The room that ``make_room`` draws from the same seed and settings."""
    rng = np.random.default_rng([seed, 31])
    scene = make_scene(rng, gel=gel, mirror=True, unreached=False, dim_corner=False)
    walk = plan_walk(
        scene.room, np.random.default_rng([seed, 53]), count=frames, lead=lead, gap=0, backwards=backwards,
        big_carrier=False, unreached=False, dim_corner=False, walker=False, lamp_on_first=False,
    )  # fmt: skip
    return LitRoom(scene, size, walk.lamp[walk.lit], walk.lit, strength)
