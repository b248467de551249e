"""Heroes with true mattes for ``bench/matte.py``: the demo, made rooms, pasted photographs; how mattes are judged."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

DEMO = Path(__file__).parents[2] / "demo_footage"


@dataclass(eq=False)
class Hero:
    """A hero as linear light: ``frame(k)`` ``(H, W, 3)``; ``set_picture`` in the first frame's place; ``truth(k)``
    ``(h, w)`` coverage 0..1 at the size of the judged matte; ``poses`` first frame -> frame k."""

    name: str
    count: int
    frame: Callable[[int], NDArray[np.float32]]
    set_picture: NDArray[np.float32]
    truth: Callable[[int], NDArray[np.float32]]
    poses: list[NDArray[np.float64]] = field(default_factory=list)

    def pose(self, k: int) -> NDArray[np.float64]:
        """First frame -> frame k, full-size pixels."""
        return self.poses[k] if self.poses else np.eye(3)


def open_demo(which: str = "empty_lit") -> Hero:
    """The demo's hero against one of its empty takes; the truth is at half size and bumps with the hero."""
    from lightstack.files.read.takes import open_take

    def read(name: str) -> NDArray[np.float32]:
        with open_take(DEMO / f"{name}.mov", name=name) as take:
            return np.stack([take.linear(frame) for frame in take.frames()])

    frames, bare = read("hero"), read(which).mean(axis=0)
    with np.load(DEMO / "truth" / "masks.npz") as masks:
        matte = masks["matte"]
    with np.load(DEMO / "truth" / "room.npz") as room:
        poses = list(room["hero_pose"])

    def truth(k: int) -> NDArray[np.float32]:
        half = matte[k].astype(np.float32) / 255
        to_half = np.diag([0.5, 0.5, 1.0])
        pose = to_half @ poses[k] @ np.linalg.inv(to_half)
        centre = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1.0]])
        index = np.linalg.inv(centre) @ pose @ centre
        return half if np.array_equal(pose, np.eye(3)) else cv2.warpPerspective(half, index, half.shape[::-1])

    return Hero(f"demo, {which}", len(frames), lambda k: frames[k], bare, truth, poses)


def open_room(seed: int, cloth: str = "light", light: str = "same") -> Hero:
    """Somebody crosses a made room; "dark" clothes, or a "warm" light that the set's own take did not have."""
    from made.crossing import DARK, LIGHT, cross_room

    gain = (1.25, 1.0, 0.8) if light == "warm" else (1, 1, 1)
    take = cross_room(seed, size=(270, 480), cloth=DARK if cloth == "dark" else LIGHT, light=gain, pause=6)
    return _from_crossing(f"room {seed} {cloth} {light}", take)


def open_photo(seed: int, codec: str = "none") -> Hero:
    """A cut-out crosses a photograph; "h264" films it through H.264 at CRF 18, 8-bit 4:2:0."""
    from made.crossing import cross_photo

    take = cross_photo(seed, size=(360, 540))
    if codec == "none":
        return _from_crossing(f"photo {seed}", take)
    frames = code_h264([take.seen[k] for k in range(len(take))], seed)
    return Hero(f"photo {seed} {codec}", len(take), lambda k: frames[k], take.bare, lambda k: take.cover[k])


def _from_crossing(name: str, take) -> Hero:
    frames = [take.filmed(k) for k in range(len(take))]
    return Hero(name, len(take), lambda k: frames[k], take.bare.astype(np.float32), lambda k: take.cover[k])


def code_h264(frames: list, seed: int) -> list[NDArray[np.float32]]:
    """Film frames through H.264, 8-bit 4:2:0, and read them back as linear light."""
    import tempfile

    import av
    from made.camera import decode_bt709, encode_bt709

    rng = np.random.default_rng([seed, 3])
    with tempfile.TemporaryDirectory() as folder:
        path = f"{folder}/hero.mp4"
        with av.open(path, "w") as container:
            stream = container.add_stream("libx264", rate=24, options={"crf": "18"})
            stream.height, stream.width, stream.pix_fmt, stream.thread_count = *frames[0].shape[:2], "yuv420p", 1
            for light in frames:
                noisy = light + rng.standard_normal(light.shape) * np.sqrt(4e-4 * light + 4e-6)
                codes = np.round(255 * np.clip(encode_bt709(noisy), 0, 1)).astype(np.uint8)
                container.mux(stream.encode(av.VideoFrame.from_ndarray(codes, "rgb24")))
            container.mux(stream.encode(None))
        with av.open(path) as container:
            return [
                decode_bt709(frame.to_ndarray(format="rgb24").astype(np.float32) / 255).astype(np.float32)
                for frame in container.decode(video=0)
            ]


def shrink(alpha: NDArray, like: NDArray) -> NDArray[np.float32]:
    """Average a matte down to the truth's size."""
    if alpha.shape == like.shape:
        return np.asarray(alpha, np.float32)
    return cv2.resize(np.asarray(alpha, np.float32), like.shape[::-1], interpolation=cv2.INTER_AREA)


def judge(alpha: NDArray, truth: NDArray, doubt: NDArray | None = None) -> dict[str, float]:
    """IoU at 0.5 (outside doubt), areas of doubt and figure, MSE, SAD in thousands, gradient error in thousands
    (Rhemann et al. 2009: Gaussian derivatives of sigma 1.4, squared differences of the gradient's length)."""
    keep = np.ones(truth.shape, bool) if doubt is None else doubt < 0.5
    a, t = (alpha >= 0.5) & keep, (truth >= 0.5) & keep
    slope = [_slope(picture) for picture in (alpha, truth)]
    either = float((a | t).sum())
    return {
        "inter": float((a & t).sum()),
        "union": either,
        "mse": float(((alpha - truth) ** 2).mean()),
        "sad": float(np.abs(alpha - truth).sum()) / 1e3,
        "grad": float(((slope[0] - slope[1]) ** 2).sum()) / 1e3,
        "doubt": float((~keep).sum()),
        "figure": float((truth >= 0.5).sum()),
    }


def _slope(picture: NDArray) -> NDArray[np.float64]:
    from scipy.ndimage import gaussian_gradient_magnitude

    return gaussian_gradient_magnitude(np.asarray(picture, np.float64), 1.4)


def rest_spread(mattes: list[NDArray], truths: list[NDArray]) -> float:
    """Standard deviation in time of alpha on still edges: places that lie within 3 pixels of the true edge and whose
    true coverage changes by less than 0.02 over the frames given; NaN where there are none."""
    stack, true = np.stack(mattes), np.stack(truths)
    still = np.ptp(true, axis=0) < 0.02
    edge = cv2.dilate(((true[0] > 0.02) & (true[0] < 0.98)).astype(np.uint8), np.ones((7, 7), np.uint8)) > 0
    place = still & edge
    return float(stack.std(axis=0)[place].mean()) if place.sum() > 20 else float("nan")
