"""Takes of plain arrays and small sweeps for the tests of the jobs."""

from fractions import Fraction
from pathlib import Path

import numpy as np
from core_helpers import make_encoding

from lightstack.core.colour.planes import ProxyFrame
from lightstack.jobs.takes.footage import FittedTake
from lightstack.records import CodedFrame, NoiseModel, Registration, Stretch, TakeInfo

NOISE = NoiseModel(np.full(3, 4e-4), np.full(3, 4e-6))
CENTRE = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1.0]])


class PictureTake:
    """Pictures (n, H, W, 3) that pose as an open take, frames from ``first``."""

    def __init__(self, pictures, *, name="take", first=1, split=None, encoding=None):
        self.pictures = pictures
        self.working = None
        self.split = split  # frames of the first of two files
        height, width = pictures[0].shape[:2]
        self.info = TakeInfo(
            name=name,
            paths=(Path(f"{name}.mov"),),
            kind="movie",
            width=width,
            height=height,
            rate=Fraction(24),
            first_frame=first,
            frame_count=len(pictures),
            encoding=encoding or make_encoding(),
            codec="none",
        )

    def _frame(self, number):
        picture = np.asarray(self.pictures[number - self.info.first_frame], np.float32)
        return CodedFrame(number, (picture,), Fraction(number - self.info.first_frame, 24))

    def frames(self, first=None, last=None):
        first = self.info.first_frame if first is None else first
        last = self.info.last_frame if last is None else last
        return (self._frame(number) for number in range(first, last + 1))

    def read_frames(self, numbers):
        return (self._frame(number) for number in numbers)

    def number_of(self, file, frame):
        if file is None:
            return frame
        return frame if file == 1 else frame + self.split

    def linear(self, frame):
        return frame.planes[0]

    def reads_rows(self, frame):
        return False  # arrays hold whole pictures

    def clipped(self, frame):
        return ((frame.planes[0] >= 1) * np.array([1, 2, 4])).sum(-1).astype(np.uint8)

    def proxy(self, frame, factor, *, ceiling=None):
        picture, bits = frame.planes[0], self.clipped(frame)
        h, w = (side // factor for side in picture.shape[:2])
        boxes = picture[: h * factor, : w * factor].reshape(h, factor, w, factor, 3)
        flags = bits[: h * factor, : w * factor].reshape(h, factor, w, factor)
        joined = np.bitwise_or.reduce(np.bitwise_or.reduce(flags, 3), 1)
        return ProxyFrame(boxes.mean((1, 3), dtype=np.float32), joined)


def fit(pictures, *, size=None, gain=(1, 1, 1), **options):
    """Fit a take of plain arrays to a shot."""
    take = PictureTake(pictures, **options)
    return FittedTake(take, size or pictures[0].shape[:2], np.float32(gain))


def stand_still(first, last, *, take="take"):
    """Return the registration of a take that never moved."""
    return Registration(take, "none", (Stretch(first, last, np.eye(3), True, 0.0, 0.01, last - first + 1),))


def shift_by(dx, dy):
    """Return the pose of a take that is seen (dx, dy) px further right and down."""
    return np.array([[1, 0, dx], [0, 1, dy], [0, 0, 1.0]])


def noisy(level, count, *, seed=0, noise=NOISE):
    """Return ``count`` filmed frames of a noise-free picture (H, W, 3)."""
    rng = np.random.default_rng(seed)
    sigma = noise.sigma(level)
    return [(level + sigma * rng.standard_normal(level.shape)).astype(np.float32) for _ in range(count)]


def build(path, folder, progress, *, empty=None, working=None, **keys):
    """Build a sweep by the keys of a shot file; ``empty``: settings of the empty take, path included."""
    from lightstack.files.shot.schema import TakeSettings
    from lightstack.files.shot.shotfile import check_sweep
    from lightstack.jobs.sweep.sweep import SweepRequest, build_sweep

    paths = path if isinstance(path, list) else [path]
    settings = check_sweep({"path": [str(p) for p in paths], **keys})
    bare = None
    if empty is not None:
        bare = (TakeSettings(**{**empty, "path": (str(empty["path"]),)}), (empty["path"],))
    request = SweepRequest(settings=settings, paths=tuple(paths), empty=bare, working=working)
    return build_sweep(request, folder, progress=progress)


def mean_error(plate, room, *, limit=0.95):
    """Mean error of a plate against a made room's truth, relative to the truth's mean, both limited."""
    from made import truth_plate

    truth, hole = truth_plate(room)
    a, b = np.minimum(plate, limit), np.minimum(truth, limit)
    return float(np.abs(a - b)[~hole].mean() / b[~hole].mean())
