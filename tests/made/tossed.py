"""Made takes of a thing tossed through a room: an arm brings it, lets go, and it flies, with motion blur and a shadow.

The room is a made one; what moves is laid over it in the picture. Truth is kept: coverage, the thing's own light, its
shadow as a ratio, its path, and which frames it no longer touches the hand. Nothing here imports the package under
test.
"""

from dataclasses import dataclass, field

import cv2
import numpy as np

from made.camera import develop, expose, gather
from made.rooms import OVER, _dark_plan, _shade, _trace
from made.scene import make_scene

STEPS = 9  # moments averaged within one exposure
BALL, BOX = "ball", "box"
LEVEL = 0.14  # mean light of a room


@dataclass(frozen=True, eq=False)
class Tossed:
    """One try. ``bare`` (H, W, 3) the set; per frame: ``seen`` (H, W, 3) without noise, ``cover`` (H, W) of the thing,
    ``own`` (H, W, 3) its light times coverage, ``shade`` (H, W, 3) by which the set is multiplied, ``hand`` (H, W);
    ``path`` (n, 2) the middle of what is covered, NaN where nothing is; ``free`` (n,) whether it touches no hand."""

    seed: int
    bare: np.ndarray
    seen: list
    cover: list
    own: list
    shade: list
    hand: list
    path: np.ndarray
    free: np.ndarray
    bits: int = 10
    chroma: str = "422"
    curve: str = "bt709"
    noise: tuple = (2e-4, 2e-6)

    @property
    def size(self):
        return self.bare.shape[:2]

    @property
    def release(self):
        """The first frame (from 0) from which on the thing touches no hand."""
        return int(np.flatnonzero(self.free)[0])

    def __len__(self):
        return len(self.seen)

    def planes(self, k):
        """Frame k as code values."""
        rng = np.random.default_rng([self.seed, 611, k])
        return expose(self.seen[k], rng, noise=self.noise, bits=self.bits, curve=self.curve, chroma=self.chroma)

    def filmed(self, k):
        """Frame k as a perfect reader gives it, (H, W, 3) float32 linear."""
        return develop(self.planes(k), bits=self.bits, curve=self.curve)


@dataclass(frozen=True, eq=False)
class EmptySet:
    """The empty take of a set: the same picture, other noise."""

    seed: int
    bare: np.ndarray
    count: int = 12
    bits: int = 10
    chroma: str = "422"
    curve: str = "bt709"
    noise: tuple = (2e-4, 2e-6)
    extra: object = field(default=None)

    @property
    def size(self):
        return self.bare.shape[:2]

    def __len__(self):
        return self.count

    def planes(self, k):
        """Frame k as code values."""
        rng = np.random.default_rng([self.seed, 612, k])
        return expose(self.bare, rng, noise=self.noise, bits=self.bits, curve=self.curve, chroma=self.chroma)


def draw_room(seed, size=(180, 320)):
    """A made room with nobody in it, (H, W, 3)."""
    scene = make_scene(np.random.default_rng([seed, 31]), gel="violet", mirror=False, unreached=False, dim_corner=False)
    ball = np.array([[0, 0, 0], [1, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]]) / np.sqrt(3) * 0.8
    lamp, at, patches, nobody = _dark_plan(scene, ball)
    radiance, _, _ = _shade(scene, _trace(scene, size, np.eye(3)), (lamp, at, patches, nobody))
    light = gather(radiance, size, OVER)
    return (light * (LEVEL / light.mean())).astype(np.float32)


def toss(
    seed, attempt=0, *, size=(180, 320), frames=24, kind=BALL, bare=None, hold=5, colour=None, defocus=0.0, end=None
):
    """Film one try. ``hold``: frames for which the hand holds it (0: it enters by itself). ``colour``: of the thing.
    ``end``: where it is on the last frame, in widths and heights; by default drawn by seed and attempt."""
    rng = np.random.default_rng([seed, attempt, 87])
    bare = draw_room(seed, size) if bare is None else bare
    look = np.random.default_rng([seed, 88])  # the same thing in every try
    radius = look.uniform(0.05, 0.075) * size[0]
    if colour is None:
        colour = look.uniform(0.15, 1.0, 3) * look.uniform(0.25, 0.6)
    spots = look.uniform(-1, 1, (3, 3))
    start = np.array([0.16, 0.5]) + rng.uniform(-0.03, 0.03, 2)
    stop = np.array([rng.uniform(0.55, 0.85), rng.uniform(0.6, 0.85)]) if end is None else np.array(end)
    lift = rng.uniform(0.15, 0.35)
    shadow = np.array([look.uniform(0.03, 0.08), look.uniform(0.02, 0.07)]), look.uniform(0.3, 0.55)
    parts = [], [], [], [], []
    for k in range(frames):
        moments = [
            draw_moment(k + 0.5 * (i + 0.5) / STEPS, size, radius, spots, np.asarray(colour), kind,
                        start, stop, lift, frames, hold, shadow, bare, defocus)
            for i in range(STEPS)
        ]  # fmt: skip
        for into, pictures in zip(parts, zip(*moments, strict=True), strict=True):
            into.append(np.mean(pictures, axis=0).astype(np.float32))
    seen, cover, own, shade, hand = parts
    path = np.array([middle(c) for c in cover])
    touch = [
        float((cv2.dilate((h > 0.02).astype(np.uint8), np.ones((3, 3))) * (c > 0.02)).sum())
        for h, c in zip(hand, cover, strict=True)
    ]
    edge = [max(c[0].max(), c[-1].max(), c[:, 0].max(), c[:, -1].max()) for c in cover]
    free = np.array([t == 0 and e < 0.02 and c.sum() > 0 for t, e, c in zip(touch, edge, cover, strict=True)])
    return Tossed(seed * 31 + attempt, bare, seen, cover, own, shade, hand, path, free)


def middle(cover):
    """Centroid of a coverage, pixel centres at .5; NaN where there is none."""
    total = cover.sum()
    if total <= 0:
        return np.array([np.nan, np.nan])
    y, x = np.mgrid[0 : cover.shape[0], 0 : cover.shape[1]] + 0.5
    return np.array([(x * cover).sum(), (y * cover).sum()]) / total


def place_at(time, start, stop, lift, frames, hold):
    """Where the thing is, in widths and heights: held, then thrown; at rest for the last fifth."""
    if time < hold:
        return start + np.array([0.008, -0.012]) * (time - hold)
    flight = 0.8 * frames - hold
    t = min((time - hold) / flight, 1.0)
    return start + (stop - start) * t - np.array([0, 4 * lift * t * (1 - t)])


def draw_moment(time, size, radius, spots, colour, kind, start, stop, lift, frames, hold, shadow, bare, defocus):
    """One moment: what is seen (H, W, 3), coverage, own light times coverage, shade, hand."""
    h, w = size
    at = place_at(time, start, stop, lift, frames, hold) * (w, h)
    y, x = np.mgrid[0:h, 0:w].astype(np.float32) + 0.5
    turn = 0.35 * max(time - hold, 0)
    dx, dy = x - at[0], y - at[1]
    u, v = (np.cos(turn) * dx + np.sin(turn) * dy) / radius, (-np.sin(turn) * dx + np.cos(turn) * dy) / radius
    away = np.hypot(u, v) if kind == BALL else 0.1 + np.maximum(np.abs(u), np.abs(v) * 1.3)
    inside = radius * (1 - away)
    cover = np.clip(inside + 0.5, 0, 1)
    pattern = 1 + 0.35 * np.mean([np.sin(3 * (a * u + b * v) + 6 * c) for a, b, c in spots[:3]], axis=0) * 1.4
    light = np.clip(1 - 0.35 * (dx * 0.5 + dy * 0.8) / radius, 0.35, 1.5)
    own = (colour * (pattern * light)[..., None] * cover[..., None]).astype(np.float32)
    soft = 0.6 + defocus
    cover, own = cv2.GaussianBlur(cover, (0, 0), soft), cv2.GaussianBlur(own, (0, 0), soft)
    offset, depth = shadow
    sx, sy = dx - offset[0] * w, dy - offset[1] * w
    shade = 1 - depth * cv2.GaussianBlur(np.clip(radius - np.hypot(sx, sy) + 0.5, 0, 1), (0, 0), 0.3 * radius)
    shade = np.repeat(shade[..., None], 3, axis=2) ** np.array([1.0, 0.97, 0.92])
    grip = place_at(min(time, hold), start, stop, lift, frames, hold) * (w, h)
    hand = draw_arm(time, (x, y), size, radius, grip, hold)
    skin = np.array([0.42, 0.27, 0.2]) * (0.8 + 0.2 * np.sin(0.2 * x + 0.1 * y))[..., None]
    front = hand[..., None] * skin
    own, cover = own * (1 - hand[..., None]), cover * (1 - hand)
    behind = bare * shade * (1 - (0.35 * cv2.GaussianBlur(shift(hand, 6, 5), (0, 0), 3))[..., None])
    seen = front + own + (1 - cover - hand)[..., None] * behind
    return seen, cover, own, shade, hand


def shift(picture, dx, dy):
    """Move a picture (H, W) by whole pixels."""
    return cv2.warpAffine(picture, np.array([[1, 0, dx], [0, 1, dy]], np.float32), picture.shape[1::-1])


def draw_arm(time, grid, size, radius, at, hold):
    """Coverage (H, W) of a forearm from the left border whose fingers end at the thing; it withdraws after the toss."""
    x, y = grid
    h, w = size
    if hold == 0:
        return np.zeros(size, np.float32)
    back = max(time - hold, 0) * 0.05 * w
    tip = at + np.array([-radius * 0.8 - back, radius * 0.35 + 0.3 * back])
    root = np.array([-0.2 * w - back, tip[1] + 0.25 * h])
    along = (root - tip) / np.linalg.norm(root - tip)
    t = np.clip((x - tip[0]) * along[0] + (y - tip[1]) * along[1], 0, None)
    off = np.hypot(x - tip[0] - t * along[0], y - tip[1] - t * along[1])
    return np.clip(radius * (0.55 + 0.2 * np.minimum(t / (3 * radius), 1)) - off + 0.5, 0, 1).astype(np.float32)
