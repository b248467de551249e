"""Made figures lit by the swept lamp: what light on a figure is judged by.

A room is drawn empty and with somebody in it, dark and with the lamp at places along its sweep, nobody carrying it.
Nothing here imports the package under test.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np

from made.camera import develop, expose, gather
from made.people import figure, plan_walk
from made.rooms import OVER, _dark_plan, _shade, _trace
from made.scene import make_scene, wall_patches

LIMIT = 0.95  # at which lamp light is held, as a camera would
PLACES = ((-0.5, 2.3, 0.1, 1.2), (-0.55, 1.5, -0.1, 1.1))  # x and z of the feet; x and height of the hand


@dataclass(frozen=True, eq=False)
class LitFigure:
    """Pictures (H, W, 3) linear, without noise: ``bare`` the set, ``hero`` the same with the figure, ``plate`` the
    largest lamp light of any lamp place on the set, ``lit`` the same with the figure there, ``naive`` the largest lit
    frame of the set; ``cover`` (H, W) the figure's coverage; ``single``: pairs of pictures, the lamp's light from one
    place alone on the set, and the same with the figure there."""

    seed: int
    bare: np.ndarray
    hero: np.ndarray
    plate: np.ndarray
    lit: np.ndarray
    naive: np.ndarray
    cover: np.ndarray
    single: tuple = ()

    def filmed(self, *, noise=(4e-4, 4e-6), bits=10):
        """The hero as a perfect reader gives it, (H, W, 3) float32 linear."""
        rng = np.random.default_rng([self.seed, 6211])
        return develop(expose(self.hero, rng, noise=noise, bits=bits, chroma="rgb"), bits=bits)


def light_figure(
    seed, *, size=(135, 240), lamps=16, gel="violet", cloth=(0.45, 0.42, 0.36), place=0, strength=1.3, crowd=True,
    keep=(),
):  # fmt: skip
    """Draw a room, somebody in it, and both by the lamp at ``lamps`` places of its way; ``crowd``: he is there;
    ``keep``: the places of which ``single`` tells."""
    scene = make_scene(np.random.default_rng([seed, 31]), gel=gel, mirror=False, unreached=False, dim_corner=False)
    ball = np.array([[0, 0, 0], [1, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]]) / np.sqrt(3) * 0.8
    traced, (_, _, _, nobody) = _trace(scene, size, np.eye(3)), _dark_plan(scene, ball)
    x, z, hand, height = PLACES[place]
    people = figure(np.array([hand, height, z]), np.array([x, z]), cloth) if crowd else nobody
    walk = plan_walk(
        scene.room, np.random.default_rng([seed, 53]), count=lamps, lead=0, gap=0, backwards=False,
        big_carrier=False, unreached=False, dim_corner=False, walker=False, lamp_on_first=True,
    )  # fmt: skip

    def draw(crowd, plan):
        radiance, _, person = _shade(scene, traced, (*plan, crowd))
        return gather(radiance, size, OVER), gather(person.astype(np.float32)[:, None], size, OVER)[..., 0]

    dark = _dark_plan(scene, ball)[:3]
    bare, (hero, cover) = draw(nobody, dark)[0], draw(people, dark)
    plate, lit, single = np.zeros_like(bare), np.zeros_like(bare), []
    for number, at in enumerate(walk.lamp):
        on = np.array([strength, 0.045, 1.0, 0.0, 0.8])
        plan = (on, np.ascontiguousarray(at + 0.045 * ball), wall_patches(scene.room, at, strength))
        alone = np.minimum(draw(nobody, plan)[0] - bare, LIMIT)
        plate = np.maximum(plate, alone)
        if not crowd:
            continue
        together = np.minimum(draw(people, plan)[0] - hero, LIMIT)
        lit = np.maximum(lit, together)
        single += [(alone, together)] if number in keep else []
    return LitFigure(seed, bare, hero, plate, lit, bare + plate, np.clip(cover, 0, 1), tuple(single))


@cache
def light_set(seed, gel, *, size=(45, 80), lamps=6):
    """Draw a small room by its ambient and by the lamp alone, nobody there; see `light_figure`."""
    return light_figure(seed, size=size, lamps=lamps, gel=gel, crowd=False)
