"""Made heroes with true mattes: somebody crosses a made room, or a cut-out of real textures crosses a photograph.

Both keep what the camera would have seen without noise, the set alone under the same light, and the coverage, soft at
the edges. Nothing here imports the package under test.
"""

from dataclasses import dataclass

import cv2
import numpy as np

from made.camera import decode_bt709, develop, expose, gather
from made.people import figure, plan_hero
from made.rooms import OVER, _dark_plan, _shade, _trace
from made.scene import make_scene

LIGHT, DARK = (0.45, 0.42, 0.36), (0.035, 0.035, 0.042)


@dataclass(frozen=True, eq=False)
class Crossing:
    """``bare`` (H, W, 3) the set's picture as another take would show it; ``seen`` [n] of (H, W, 3) the hero without
    noise; ``cover`` [n] of (H, W) float32 coverage 0..1."""

    seed: int
    bare: np.ndarray
    seen: list
    cover: list

    def __len__(self):
        return len(self.seen)

    def filmed(self, k, *, noise=(4e-4, 4e-6), bits=10, chroma="422"):
        """Frame k as a perfect reader gives it, (H, W, 3) float32 linear; chroma thinned out and spread again."""
        rng = np.random.default_rng([self.seed, 4177, k])
        planes = expose(self.seen[k], rng, noise=noise, bits=bits, chroma=chroma)
        return develop(planes, bits=bits)


def cross_room(seed, *, size=(180, 320), frames=24, lead=2, cloth=LIGHT, light=(1.0, 1.0, 1.0), pause=0):
    """Somebody crosses a made room. ``light``: by how much the hero is lit differently from the set's own take, per
    channel. ``pause``: frames for which nobody moves in the middle."""
    scene = make_scene(np.random.default_rng([seed, 31]), gel="violet", mirror=False, unreached=False, dim_corner=False)
    walk = plan_hero(frames - pause, lead)
    order = np.sort(np.concatenate([np.arange(frames - pause), np.full(pause, (frames - pause) // 2)]))
    ball = np.array([[0, 0, 0], [1, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]]) / np.sqrt(3) * 0.8
    traced = _trace(scene, size, np.eye(3))
    lamp, at, patches, nobody = _dark_plan(scene, ball)

    def draw(k):
        people = figure(walk.lamp[k], walk.foot[k], cloth) if walk.present[k] else nobody
        radiance, _, person = _shade(scene, traced, (lamp, at, patches, people))
        return gather(radiance, size, OVER), gather(person.astype(np.float32)[:, None], size, OVER)[..., 0]

    drawn = [draw(k) for k in range(frames - pause)]
    gain = np.asarray(light, np.float32)
    bare = gather(_shade(scene, traced, (lamp, at, patches, nobody))[0], size, OVER)
    return Crossing(seed, bare, [drawn[k][0] * gain for k in order], [drawn[k][1] for k in order])


def cross_photo(seed, *, size=(240, 360), frames=20, blur_frames=6, shade=0.45, light_change=0.12):
    """A cut-out of real texture crosses a photograph and throws a soft shadow.

    The background: a photograph of scikit-image's with nobody in it, scaled and mirrored as ``seed`` has it; the
    cut-out wears another's texture. It stands, then moves; while it moves, ``blur_frames`` steps make one exposure. The
    light over the set falls and shifts slowly by ``light_change``.
    """
    rng = np.random.default_rng([seed, 977])
    names = rng.permutation(["coffee", "chelsea", "coins", "brick", "gravel", "moon"])
    bare = _photo(names[0], size, rng)
    cloth = _photo(names[1], size, rng) * rng.uniform(0.5, 1.4) * rng.uniform(0.8, 1.2, 3).astype(np.float32)
    shape = _outline(rng)
    start, way = rng.uniform(0.2, 0.35), rng.uniform(0.35, 0.5)
    seen, cover = [], []
    rest = frames // 2
    for k in range(frames):
        share = max(0.0, (k - rest) / max(1, frames - rest))
        step = 1 / max(1, frames - rest) if k >= rest else 0.0
        places = [start + way * (share + step * i / blur_frames) for i in range(blur_frames if step else 1)]
        alpha, front = np.zeros(size, np.float32), np.zeros((*size, 3), np.float32)
        for x in places:
            one = _place(shape, x, size)
            moved = _shift(cloth, (x - start) * size[1])
            alpha += one / len(places)
            front += one[..., None] * moved / len(places)
        dim = 1 - shade * _soft_shadow(_place(shape, places[0] + 0.09, size), size)
        yy, xx = np.mgrid[0 : size[0], 0 : size[1]] / max(size)
        drift = 1 + light_change * np.sin(2 * xx + 1.5 * yy + 0.1 * k)
        light = (dim * drift)[..., None].astype(np.float32)
        seen.append(front + (1 - alpha[..., None]) * bare * light)
        cover.append(np.clip(alpha, 0, 1))
    return Crossing(seed, bare, seen, cover)


def _photo(name, size, rng):
    from skimage import data

    picture = getattr(data, str(name))()
    picture = np.asarray(picture)
    if picture.ndim == 2:
        picture = np.repeat(picture[..., None], 3, -1)
    picture = picture[..., :3][:, :: int(rng.choice([1, -1]))].astype(np.float32) / 255
    scale = max(size[0] / picture.shape[0], size[1] / picture.shape[1]) * rng.uniform(1.0, 1.2)
    large = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    top, left = (int(rng.integers(0, large.shape[i] - size[i] + 1)) for i in (0, 1))
    return (0.02 + 0.7 * decode_bt709(large[top : top + size[0], left : left + size[1]])).astype(np.float32)


def _outline(rng):
    """Discs of a body, head and limbs, in heights: x, y, radius."""
    arm, leg = rng.uniform(0.1, 0.22), rng.uniform(0.05, 0.12)
    discs = [(0, 0.22, 0.075), (0.01, 0.19, 0.07)]
    discs += [(0.02 * np.sin(5 * t), 0.33 + 0.25 * t, 0.1 - 0.02 * t) for t in np.linspace(0, 1, 14)]
    discs += [(-0.08 - arm * t, 0.36 + 0.12 * t - 0.1 * t * t, 0.035 - 0.012 * t) for t in np.linspace(0, 1, 20)]
    for sign in (-1, 1):
        discs += [(sign * (0.045 + leg * t), 0.58 + 0.45 * t, 0.05 - 0.015 * t) for t in np.linspace(0, 1, 20)]
    return np.array(discs)


def _place(shape, x, size, *, over=3):
    """Coverage (H, W) of the discs about x (in widths)."""
    canvas = np.zeros((size[0] * over, size[1] * over), np.uint8)
    for dx, y, radius in shape:
        centre = (x * size[1] * over + dx * size[0] * over, y * size[0] * over)
        at = tuple(round(16 * c) for c in centre)
        cv2.circle(canvas, at, round(16 * radius * size[0] * over), 255, -1, cv2.LINE_AA, 4)
    soft = cv2.GaussianBlur(canvas.astype(np.float32) / 255, (0, 0), 0.7 * over)
    return cv2.resize(soft, size[::-1], interpolation=cv2.INTER_AREA)


def _shift(picture, dx):
    move = np.array([[1, 0, dx], [0, 1, 0]], np.float32)
    return cv2.warpAffine(picture, move, picture.shape[1::-1], flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)


def _soft_shadow(cover, size):
    return cv2.GaussianBlur(cover, (0, 0), size[0] / 40)
