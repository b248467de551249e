"""How loud a sound file is, step by step: read once, never kept whole."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

from lightstack.errors import MissingInput, UnreadableInput
from lightstack.files.limits import check_limit
from lightstack.files.read.movie_facts import open_for_reading
from lightstack.files.reading import reading

__all__ = ["SoundPower", "read_sound_power"]


@dataclass(frozen=True, slots=True)
class SoundPower:
    """A sound in steps of equal length.

    ``power``: sum over each step's samples of the mean square of the channels, full scale 1, ``(n,)``. ``counts``: how
    many samples each step holds, ``(n,)``. ``per_second``: steps in a second. ``channels``: how many there are.
    """

    power: NDArray[np.float64]
    counts: NDArray[np.float64]
    per_second: Fraction
    channels: int


def read_sound_power(path: Path, per_second: Fraction) -> SoundPower:
    """Read the first sound track of a sound file or movie. Step k holds the samples from k to k + 1 of its length.

    Raises MissingInput where nothing is there, UnreadableInput where it holds no sound or cannot be decoded.
    """
    if not path.is_file():
        what = "is a folder" if path.is_dir() else "nothing is there"
        raise MissingInput(f"{path}: {what}; name a sound file, or a movie with sound")
    power, counts = np.zeros(1), np.zeros(1)
    place, channels = 0, 0
    for samples, rate in _read_samples(path):
        channels = samples.shape[0]
        check_limit(path, "SOUND_CHANNELS", channels)
        check_limit(path, "SOUND_SECONDS", (place + samples.shape[1]) // rate)
        square = np.mean(np.square(samples, dtype=np.float64), axis=0)
        steps = (place + np.arange(len(square))) * per_second.numerator // (rate * per_second.denominator)
        place += len(square)
        short = int(steps[-1]) + 1 - len(power)
        if short > 0:
            grown = np.zeros(max(short, len(power)))
            power, counts = np.concatenate([power, grown]), np.concatenate([counts, grown])
        first = int(steps[0])
        here = np.bincount(steps - first, weights=square)
        power[first : first + len(here)] += here
        counts[first : first + len(here)] += np.bincount(steps - first)
    if not place:
        raise UnreadableInput(f"{path}: holds no sound samples; name another file")
    used = int(np.flatnonzero(counts)[-1]) + 1
    return SoundPower(power[:used], counts[:used], per_second, channels)


def _read_samples(path: Path) -> Iterator[tuple[NDArray[np.float32], int]]:
    """Give runs of samples ``(channels, n)``, full scale 1, with their rate."""
    try:
        with reading(path), open_for_reading(path) as source:
            if not source.streams.audio:
                raise UnreadableInput(f"{path}: holds no sound; name a sound file, or a movie with sound")
            resampler = av.AudioResampler(format="fltp")  # another form of number only; rate and channels stay
            for frame in source.decode(source.streams.audio[0]):
                yield from _convert(resampler, frame)
            yield from _convert(resampler, None)
    except UnreadableInput:
        raise
    except (av.error.FFmpegError, OSError, ValueError) as error:
        reason = " ".join((getattr(error, "strerror", None) or str(error)).split())
        raise UnreadableInput(f"{path}: its sound cannot be read ({reason}); save it as WAV or FLAC") from None


def _convert(resampler: Any, frame: Any) -> Iterator[tuple[NDArray[np.float32], int]]:
    for made in resampler.resample(frame):
        if made.samples:
            yield np.asarray(made.to_ndarray(), np.float32), int(made.sample_rate)
