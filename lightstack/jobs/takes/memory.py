"""How much memory a run needs, and how many workers fit into what it may use."""

from __future__ import annotations

import os
from pathlib import Path

from lightstack.errors import SettingError
from lightstack.files.processors import usable_processors
from lightstack.jobs.takes.options import BuildOptions

# Peak of anonymous and shared memory measured on H.264 sweeps: 434 MiB at 1920 x 1080 and 1202 MiB at
# 3840 x 2160 with one worker, 465 and 1314 MiB with two; rounded up by about a tenth.
MIB = 2**20
BASE_MIB = 200.0
MIB_PER_MEGAPIXEL = 130.0
WORKER_MIB_PER_MEGAPIXEL = 17.0
FRAME_MIB_PER_MEGAPIXEL = 90.0  # eight pictures of three floats: hero, light, grain, finished frame, and between
MOST_FRAMES = 8  # at a time: one reader decodes for all of them
PIECE_FRAMES = 24  # made by another machine at a time
MADE_MIB_PER_MEGAPIXEL = 12.0  # of a frame that comes back: planes of a preview and of a movie with 16 bits


def floor_bytes(size: tuple[int, int]) -> int:
    """Return what a run over pictures of ``size`` (H, W) needs with one worker."""
    megapixels = size[0] * size[1] / 1e6
    return round((BASE_MIB + MIB_PER_MEGAPIXEL * megapixels) * MIB)


def check_memory(path: Path, size: tuple[int, int], options: BuildOptions) -> None:
    """Refuse a budget below what pictures of ``size`` (H, W) need at the least.

    Raises
    ------
    SettingError
        The line names the floor.
    """
    floor, budget = floor_bytes(size), options.memory_bytes
    if budget is not None and budget < floor:
        raise SettingError(
            f"{path}: --memory is {budget // MIB} MiB, pictures of {size[1]} x {size[0]} need at least "
            f"{-(-floor // MIB)} MiB; give more, or leave --memory out"
        )


def plan_workers(size: tuple[int, int], options: BuildOptions) -> int:
    """Return how many workers to use: as asked for (0 = all processors), fewer where memory is short.

    Notes
    -----
    The number of workers changes no result, only time and memory.
    """
    wanted = options.threads or usable_processors()
    if options.memory_bytes is None and options.beside == 1:
        return wanted
    each = WORKER_MIB_PER_MEGAPIXEL * MIB * size[0] * size[1] / 1e6
    spare = run_budget(options) - floor_bytes(size)
    return max(1, min(wanted, 1 + int(spare / each)))


def plan_piece_frames(size: tuple[int, int], hands: int) -> int:
    """Return how many frames of ``size`` (H, W) another machine makes at a time, where so many ``hands`` work.

    Notes: a quarter of this machine's share is enough for those that wait here for an earlier one.
    """
    each = MADE_MIB_PER_MEGAPIXEL * MIB * size[0] * size[1] / 1e6
    return max(1, min(PIECE_FRAMES, int(own_budget() / 4 / ((2 * hands + 1) * each))))


def own_budget() -> int:
    """Return the memory that a run allows itself where none was named: half of the machine's, 4 GiB where unknown."""
    try:
        return os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") // 2
    except (AttributeError, OSError, ValueError):  # not every system tells
        return 4 * 2**30


def run_budget(options: BuildOptions) -> int:
    """Return the memory of a run: what was named, else its share of what all that run beside each other may take."""
    if options.memory_bytes is not None:
        return options.memory_bytes
    return own_budget() // max(1, options.beside)


def plan_frame_workers(size: tuple[int, int], options: BuildOptions) -> int:
    """Return how many finished frames to make at a time, as `plan_workers` does for stills.

    Notes: a frame holds many pictures, so without a budget what the machine has is one, and no more frames are begun
    at a time than one reader can feed.
    """
    wanted = options.threads or min(usable_processors(), MOST_FRAMES)
    each = FRAME_MIB_PER_MEGAPIXEL * MIB * size[0] * size[1] / 1e6
    spare = run_budget(options) - floor_bytes(size)
    return max(1, min(wanted, 1 + int(spare / each)))
