"""The survey pass: a take seen once, kept at survey size in the scratch folder."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

import numpy as np

from lightstack.core.colour.ceiling import flag_light
from lightstack.core.colour.light import convert_matrix
from lightstack.core.colour.measured import share_past
from lightstack.core.half import to_finite
from lightstack.core.noise import NoiseTally
from lightstack.errors import InputError, UnreadableInput
from lightstack.files.folder import explain_os_error, scratch_name
from lightstack.jobs.spread.pieces import Spread
from lightstack.jobs.takes.footage import FittedTake
from lightstack.jobs.takes.luma import LumaSamples
from lightstack.jobs.takes.survey_job import (
    SurveyJob,
    SurveyTally,
    close_gaps,
    new_files,
    survey_elsewhere,
    survey_here,
)
from lightstack.records import NoiseModel, Progress, ProxyTake

SURVEY_LONG_SIDE = 640  # proxies keep edges sharp enough to register by, and 1,200 of them fit on any disk
RGB_BYTES = 6  # three half floats
PAST_FRAMES, PAST_SHARE = 48, 0.001  # frames looked at, and pixels past a measured response that are worth a word
UNKNOWN_NOISE = NoiseModel(np.zeros(3), np.full(3, 1e-6))


def survey_factor(width: int, height: int) -> int:
    """Return by how much a full-size picture is box-averaged for the survey."""
    return max(1, -(-max(width, height) // SURVEY_LONG_SIDE))


def survey_take(
    fitted: FittedTake,
    folder: Path,
    *,
    use: tuple[int, int] | None = None,
    luma: LumaSamples | None = None,
    spread: Spread | None = None,
    progress: Progress,
) -> ProxyTake:
    """Decode a take once and keep its frames at survey size.

    Parameters
    ----------
    fitted : an open take, fitted to the shot.
    folder : where the memory-mapped pictures go.
    use : first and last source frame to look at, inclusive; everything if None.
    luma : keeps what it wants of the frames as they were decoded.
    spread : who looks at pieces of the take elsewhere.

    Notes
    -----
    Frames go into plain files as they come, so memory does not grow with the take's length.
    """
    info = fitted.take.info
    wanted = frozenset(() if luma is None else luma.wanted)
    name = scratch_name(info.name)
    paths = folder / f"{name}.rgb", folder / f"{name}.clipped"
    factor = survey_factor(*fitted.size[::-1])
    with new_files(paths) as parts:
        job = SurveyJob(fitted, factor, use or (info.first_frame, info.last_frame), parts, wanted)
        seen = see_take(job, spread, progress=progress)
        if not seen.rows:
            raise UnreadableInput(f"{info.paths[0]}: holds no frames in the range asked for; check `use`")
        places = [row.number - job.use[0] for row in seen.rows]
        for part, pixel_bytes in zip(parts, (RGB_BYTES, 1), strict=True):
            close_gaps(part, job.size[0] * job.size[1] * pixel_bytes, places)
    if luma is not None:
        luma.join(seen.luma)
    return read_survey(job, seen, paths)


def see_take(job: SurveyJob, spread: Spread | None, *, progress: Progress) -> SurveyTally:
    """Survey a take's frames, here or by others.

    Notes: a damaged take is seen here, where one reader knows what leans on what and says what one machine says.
    """
    take = job.fitted.take
    with progress.step(f"survey {take.info.name}", take.info.frame_count or None) as step:
        if spread is not None and not take.keeps_readable:
            seen = job.begin()
            try:
                for count in survey_elsewhere(job, seen, spread):
                    step.advance(count)
                return seen
            except (UnreadableInput, InputError):
                progress.say(f"{take.info.name}: workers cannot read all of it; it is looked at here")
        seen = job.begin()
        for count in survey_here(job, seen):
            step.advance(count)
        return seen


def read_survey(job: SurveyJob, seen: SurveyTally, paths: tuple[Path, Path]) -> ProxyTake:
    """Return what a survey left in its files and its tally; flags are made anew where the take clips elsewhere."""
    fitted, rows, (height, width) = job.fitted, seen.rows, job.size
    rgb = np.memmap(paths[0], np.float16, "r", shape=(len(rows), height, width, 3))
    ceiling = seen.ceiling
    if ceiling is not None and ceiling.result() != ceiling.used:
        flag_again(rgb, paths[1], fitted, ceiling.result())
    note_past(rgb, fitted)
    timecodes = tuple(row.timecode for row in rows)
    return ProxyTake(
        name=fitted.take.info.name,
        rgb=rgb,
        clipped=np.memmap(paths[1], np.uint8, "r", shape=rgb.shape[:3]),
        source_frames=np.array([row.number for row in rows], np.int64),
        seconds=np.array([row.seconds for row in rows], np.float64),
        factor=job.factor,
        full_size=fitted.size,
        noise_full=UNKNOWN_NOISE,
        noise_proxy=UNKNOWN_NOISE,
        duplicate=np.array([k > 0 and are_alike(rgb[k - 1], rgb[k]) for k in range(len(rows))], bool),
        timecodes=timecodes if any(timecodes) else (),
    )


def are_alike(one: np.ndarray, two: np.ndarray) -> bool:
    """Tell whether two frames of half floats (h, w, 3) are alike to the last bit; a line tells most apart."""
    a, b = one.view(np.uint16), two.view(np.uint16)
    middle = len(a) // 2
    return np.array_equal(a[middle], b[middle]) and np.array_equal(a, b)


@contextmanager
def kept_file(path: Path) -> Iterator[BinaryIO]:
    """Open a file of the scratch folder anew; whoever still has an older one mapped keeps it whole."""
    path.unlink(missing_ok=True)
    with explain_os_error(path), path.open("wb") as stream:
        yield stream


def flag_again(rgb: np.ndarray, clipped_path: Path, fitted: FittedTake, ceiling: float) -> None:
    """Write the clip flags anew for the signal at which the take turned out to clip.

    Notes: told by the mean of a box, so a glint of a pixel or two is not flagged.
    """
    encoding, matrix = fitted.take.info.encoding, find_own(fitted)
    with kept_file(clipped_path) as clipped_file:
        for picture in rgb:
            light = np.asarray(picture, np.float32) @ matrix.T
            clipped_file.write(flag_light(light, encoding, ceiling).data)


def find_own(fitted: FittedTake) -> np.ndarray:
    """Return the (3, 3) matrix from a fitted take's light to the light that its camera's codes stand for."""
    encoding, working = fitted.take.info.encoding, fitted.take.working
    back: np.ndarray = np.eye(3)
    if working is not None and working != encoding.primaries:
        back = np.linalg.inv(convert_matrix(encoding.primaries, working))
    return np.asarray(back / fitted.gain, np.float32)  # the take's gain is taken off first


def note_past(rgb: np.ndarray, fitted: FittedTake) -> None:
    """Note on a take that is read by a measured response how much of it is brighter than what was measured."""
    encoding = fitted.take.info.encoding
    if encoding.response is None:
        return
    some, matrix = rgb[:: max(1, len(rgb) // PAST_FRAMES)], find_own(fitted)
    share = float(np.mean([share_past(np.asarray(frame, np.float32) @ matrix.T, encoding) for frame in some]))
    if share > PAST_SHARE:
        fitted.take.note(
            f"{100 * share:.1f} % of the pixels are brighter than what its response was measured for and are read by a "
            "guess; film the lamps brighter or nearer, and measure the response again"
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
            tally.add(*(to_finite(proxies.rgb[k][inside]) for k in (a, b)))
    return tally.result()
