"""Takes with one known fault of framing or of the set, filmed from the pictures of made rooms.

Nothing here imports the package under test. Frames count from 0; light is linear. The picture is drawn once and
moved by interpolation, which is exact enough (Lanczos over eight pixels) to judge hundredths of a pixel by.
"""

from dataclasses import dataclass, field, replace
from functools import lru_cache

import cv2
import numpy as np

from made.camera import develop, expose, gather, pose_matrix
from made.rooms import _dark_plan, _shade, _trace, make_room
from made.scene import make_scene

NOISE = (4e-4, 4e-6)
BALL = np.array([[0, 0, 0], [1, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]]) / np.sqrt(3) * 0.8
OVER = 2


@dataclass(frozen=True)
class FaultyTake:
    """``rgb`` (n, h, w, 3) float16 as filmed; ``poses`` (n, 3, 3) true, first frame to frame; ``truth``: what is
    wrong."""

    rgb: np.ndarray
    poses: np.ndarray
    truth: dict = field(default_factory=dict)

    def __len__(self):
        return len(self.rgb)


def draw_still(seed, *, size=(360, 640)):
    """The unlit room without noise, (h, w, 3) float32."""
    return make_room(seed, size=size, frames=2, lead=2, take="empty", bump_px=0, turn_deg=0).ambient


def film(light, rng, *, noise=NOISE, curve="bt709", bits=10, chroma="rgb"):
    """One frame (h, w, 3) as a perfect reader gives it, float16."""
    planes = expose(light, rng, noise=noise, bits=bits, curve=curve, chroma=chroma)
    return develop(planes, bits=bits, curve=curve).astype(np.float16)


def move_picture(picture, pose):
    """The picture as a camera of that pose shows it; ``pose`` maps where things were to where they are."""
    to_centre = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1.0]])
    matrix = np.linalg.inv(to_centre) @ pose @ to_centre
    h, w = picture.shape[:2]
    flags = cv2.INTER_LANCZOS4
    return cv2.warpPerspective(picture, matrix, (w, h), flags=flags, borderMode=cv2.BORDER_REFLECT)


def film_path(seed, poses, *, size=(360, 640), gains=None, truth=None, **camera):
    """Film the unlit room from a path of poses (n, 3, 3), with gains (n, 3) of exposure."""
    picture = draw_still(seed, size=size)
    gains = np.ones((len(poses), 3)) if gains is None else gains
    seen, frames = {}, []
    for k, pose in enumerate(poses):
        key = pose.tobytes()
        if key not in seen:
            seen = {key: move_picture(picture, pose)}
        rng = np.random.default_rng([seed, 401, k])
        frames.append(film(seen[key] * gains[k].astype(np.float32), rng, **camera))
    return FaultyTake(np.stack(frames), np.asarray(poses), truth or {})


def steady(seed, *, count=48, size=(360, 640), **camera):
    """Nothing wrong."""
    return film_path(seed, np.stack([np.eye(3)] * count), size=size, **camera)


def bump(seed, *, count=48, at=20, shift=(1.5, -0.8), turn_deg=0.05, ring=0, size=(360, 640), **camera):
    """The camera is knocked at frame ``at``; it shakes for ``ring`` frames and stays displaced."""
    poses = np.stack([np.eye(3)] * count)
    poses[at:] = pose_matrix(size, shift, turn_deg)
    for k in range(at, min(at + ring, count)):
        sway = 2.0 * np.cos(2.1 * (k - at)) * np.exp(-(k - at) / 3)
        poses[k] = pose_matrix(size, np.asarray(shift) * (1 + sway), turn_deg * (1 + sway))
    return film_path(seed, poses, size=size, truth={"at": at, "shift": shift, "turn_deg": turn_deg}, **camera)


def sag(seed, *, count=60, drop=(0.2, 2.0), size=(360, 640), **camera):
    """The head sinks evenly over the whole take."""
    share = np.linspace(0, 1, count)
    poses = np.stack([pose_matrix(size, s * np.asarray(drop)) for s in share])
    return film_path(seed, poses, size=size, truth={"drop": drop}, **camera)


def handheld(seed, *, count=60, size=(360, 640), sway=4.0, still=0, **camera):
    """Held in the hand without parallax: a smooth random walk of ``sway`` px; the first ``still`` frames rest."""
    rng = np.random.default_rng([seed, 409])
    t = np.arange(count) / 24
    waves = [(rng.uniform(0.3, 1.6), rng.uniform(0, 1), rng.normal(0, sway, 2), rng.normal(0, 0.05)) for _ in range(5)]
    path = sum(np.sin(2 * np.pi * (f * t[:, None] + p)) * a for f, p, a, _ in waves)
    turn = sum(np.sin(2 * np.pi * (f * t + p)) * r for f, p, _, r in waves)
    path, turn = path - path[still], turn - turn[still]
    path[:still], turn[:still] = 0, 0
    poses = np.stack([pose_matrix(size, s, r) for s, r in zip(path, turn, strict=True)])
    return film_path(seed, poses, size=size, truth={"still": still, "sway": sway}, **camera)


def parallax(seed, *, count=36, at=18, step=(0.05, 0.02, 0.0), size=(180, 320), **camera):
    """The whole camera is moved by ``step`` metres at frame ``at``: near and far things move differently."""
    scene = _furnish(seed)
    pictures = []
    for offset in (np.zeros(3), np.asarray(step)):
        lights = scene.lights.copy()
        lights[-3:] = scene.eye + offset
        moved = replace(scene, eye=scene.eye + offset, lights=lights)
        still = _trace(moved, size, np.eye(3))
        pictures.append(gather(_shade(moved, still, _dark_plan(moved, BALL))[0], size, OVER))
    frames = [film(pictures[k >= at], np.random.default_rng([seed, 419, k]), **camera) for k in range(count)]
    return FaultyTake(np.stack(frames), np.stack([np.eye(3)] * count), {"at": at, "pictures": pictures})


def exposure_drift(seed, *, count=60, stops=0.4, size=(180, 320), **camera):
    """The exposure climbs evenly by ``stops`` over the take."""
    gains = 2.0 ** (np.linspace(0, stops, count)[:, None] * np.ones(3))
    return film_path(seed, np.stack([np.eye(3)] * count), size=size, gains=gains, truth={"stops": stops}, **camera)


def white_drift(seed, *, count=60, stops=(0.2, 0.0, -0.25), size=(180, 320), **camera):
    """The white balance wanders: each channel climbs by its own ``stops``."""
    gains = 2.0 ** (np.linspace(0, 1, count)[:, None] * np.asarray(stops))
    return film_path(seed, np.stack([np.eye(3)] * count), size=size, gains=gains, truth={"stops": stops}, **camera)


def focus_drift(seed, *, count=60, growth=0.004, blur_px=1.2, size=(360, 640), **camera):
    """Focus is pulled over the take: the picture grows by ``growth`` and blurs to ``blur_px`` sigma."""
    picture = draw_still(seed, size=size)
    frames, poses = [], []
    h, w = size
    for k, share in enumerate(np.linspace(0, 1, count)):
        s = 1 + growth * share
        pose = np.array([[s, 0, w / 2 * (1 - s)], [0, s, h / 2 * (1 - s)], [0, 0, 1.0]])
        seen = move_picture(picture, pose)
        if blur_px * share > 0.05:
            seen = cv2.GaussianBlur(seen, (0, 0), blur_px * share, borderType=cv2.BORDER_REFLECT)
        frames.append(film(seen, np.random.default_rng([seed, 421, k]), **camera))
        poses.append(pose)
    truth = {"growth": growth, "blur_px": blur_px}
    return FaultyTake(np.stack(frames), np.stack(poses), truth)


THINGS = {"ball": 11, "globe": 13, "carton": 14, "chair": 15, "stool": 17, "vase": 10, "bin": 19, "picture": 26}


def _look(scene, size):
    """The unlit picture of a scene, and what surface each sample shows."""
    still = _trace(scene, size, np.eye(3))
    picture = gather(_shade(scene, still, _dark_plan(scene, BALL))[0], size, OVER)
    return picture, still[0][:, 3:9].reshape(size[0], OVER, size[1], OVER, 6)


@lru_cache(maxsize=4)
def _untouched(seed, size):
    return _look(_furnish(seed), size)


def _furnish(seed):
    return make_scene(np.random.default_rng([seed, 31]), gel="violet", mirror=False, unreached=False, dim_corner=False)


def two_takes(
    seed, *, size=(180, 320), moved=(), by=(0.12, 0.0, 0.0), gone=(), bulb=1.0, moon=1.0, bulb_by=(0.0, 0.0, 0.0),
    pose=None, gains=(1.0, 1.0, 1.0), averaged=8, **camera,
):  # fmt: skip
    """The unlit room twice: names of THINGS ``moved`` ``by`` metres or ``gone``, the bulb and moon brighter by gains,
    the bulb hung elsewhere, the camera at another ``pose``, its exposure off by ``gains``.

    ``rgb``: (2, h, w, 3) means of ``averaged`` frames. ``truth["changed"]``: (h, w) bool, where another surface shows.
    """
    scene = _furnish(seed)
    prims = scene.prims.copy()
    for name in moved:
        prims[THINGS[name], 2:5] += by
    for name in gone:
        prims[THINGS[name], 3] -= 50.0
    lights, colours = scene.lights.copy(), scene.colours.copy()
    lights[:3] += bulb_by
    colours[1] *= bulb
    colours[2] *= moon
    other = replace(scene, prims=prims, lights=lights, colours=colours)
    pictures, surfaces = map(list, zip(_untouched(seed, size), _look(other, size), strict=True))
    changed = (np.abs(surfaces[0] - surfaces[1]).max(-1) > 0.02).any((1, 3))
    if pose is not None:
        pictures[1] = move_picture(pictures[1], pose)
    pictures[1] = pictures[1] * np.asarray(gains, np.float32)
    means = []
    for i, picture in enumerate(pictures):
        frames = [film(picture, np.random.default_rng([seed, 431, i, k]), **camera) for k in range(averaged)]
        means.append(np.mean(frames, axis=0, dtype=np.float32))
    poses = np.stack([np.eye(3), np.eye(3) if pose is None else pose])
    return FaultyTake(np.stack(means), poses, {"changed": changed})


def lamp_into_lens(room, *, veil=0.05, from_frame=0, to_frame=10**6):
    """A made sweep whose lamp, where it is seen, veils the whole picture by ``veil``, linear light, between two frames.

    ``truth["veiled"]``: (n,) bool.
    """
    frames, veiled = [], np.zeros(len(room), bool)
    for k in range(len(room)):
        veiled[k] = from_frame <= k <= to_frame and bool(room.lamp_core[k].any())
        light = room.seen(k) + (veil if veiled[k] else 0.0)
        frames.append(film(light, np.random.default_rng([room.seed, 433, k]), noise=room.noise))
    return FaultyTake(np.stack(frames), room.poses, {"veiled": veiled})
