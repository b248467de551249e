"""The survey pass: a take seen once, kept at survey size in the scratch folder."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from lightstack.core.noise import NoiseTally
from lightstack.errors import UnreadableInput
from lightstack.files.folder import explain_os_error
from lightstack.jobs.footage import FittedTake
from lightstack.records import NoiseModel, Progress, ProxyTake

SURVEY_LONG_SIDE = 640  # proxies keep edges sharp enough to register by, and 1,200 of them fit on any disk
UNKNOWN_NOISE = NoiseModel(np.zeros(3), np.full(3, 1e-6))


def survey_factor(width: int, height: int) -> int:
    """Return by how much a full-size picture is box-averaged for the survey."""
    return max(1, -(-max(width, height) // SURVEY_LONG_SIDE))


def survey_take(
    fitted: FittedTake, folder: Path, *, use: tuple[int, int] | None = None, progress: Progress
) -> ProxyTake:
    """Decode a take once and keep its frames at survey size.

    Parameters
    ----------
    fitted : an open take, fitted to the shot.
    folder : where the memory-mapped pictures go.
    use : first and last source frame to look at, inclusive; everything if None.

    Notes
    -----
    Frames are appended to plain files as they come, so memory does not grow with the take's length.
    """
    info = fitted.take.info
    factor = survey_factor(*fitted.size[::-1])
    first, last = use or (None, None)
    numbers: list[int] = []
    seconds: list[float] = []
    duplicate: list[bool] = []
    previous: np.ndarray | None = None
    rgb_path, clipped_path = folder / f"{info.name}.rgb", folder / f"{info.name}.clipped"
    for path in (rgb_path, clipped_path):
        path.unlink(missing_ok=True)  # whoever still has an older one mapped keeps it whole
    with (
        explain_os_error(rgb_path),
        rgb_path.open("wb") as rgb_file,
        clipped_path.open("wb") as clipped_file,
        progress.step(f"survey {info.name}", info.frame_count or None) as step,
    ):
        for frame in fitted.take.frames(first, last):
            picture, flags = fitted.proxy(frame, factor)
            rgb = np.clip(picture, -6e4, 6e4).astype(np.float16)
            rgb_file.write(rgb.data)
            clipped_file.write(np.ascontiguousarray(flags).data)
            numbers.append(frame.number)
            seconds.append(float("nan") if frame.seconds is None else float(frame.seconds))
            duplicate.append(previous is not None and np.array_equal(previous, rgb))
            previous = rgb
            step.advance()
    if previous is None:
        raise UnreadableInput(f"{info.paths[0]}: holds no frames in the range asked for; check `use`")
    shape = (len(numbers), *previous.shape)
    return ProxyTake(
        name=info.name,
        rgb=np.memmap(rgb_path, np.float16, "r", shape=shape),
        clipped=np.memmap(clipped_path, np.uint8, "r", shape=shape[:3]),
        source_frames=np.array(numbers, np.int64),
        seconds=np.array(seconds, np.float64),
        factor=factor,
        full_size=fitted.size,
        noise_full=UNKNOWN_NOISE,
        noise_proxy=UNKNOWN_NOISE,
        duplicate=np.array(duplicate, bool),
    )


def measure_proxy_noise(proxies: ProxyTake, frames: np.ndarray, *, most_pairs: int = 32, margin: int = 0) -> NoiseModel:
    """Measure temporal noise at survey size from neighbouring frames among ``frames`` (indices).

    ``margin``: pixels left out at the picture's edge, as far as the picture allows.
    """
    height, width = proxies.rgb.shape[1:3]
    edge = min(margin, height // 4, width // 4)
    inside = (slice(edge, height - edge), slice(edge, width - edge))
    following = np.flatnonzero(np.diff(frames) == 1)
    tally = NoiseTally(scale=proxies.factor)
    for i in following[:: max(1, len(following) // most_pairs)]:
        a, b = int(frames[i]), int(frames[i + 1])
        if not proxies.duplicate[b]:
            tally.add(*(np.nan_to_num(proxies.rgb[k][inside].astype(np.float32)) for k in (a, b)))
    return tally.result()
