"""How many processors this process may use: fewer than the machine has where it was given a share of them."""

from __future__ import annotations

import math
import os
from functools import lru_cache
from pathlib import Path

__all__ = ["read_share", "usable_processors"]

SHARE_FILE = Path("/sys/fs/cgroup/cpu.max")  # Linux, control groups version 2: microseconds in every period, or "max"


@lru_cache(maxsize=1)
def usable_processors() -> int:
    """Return how many processors this process may use, at least 1.

    Notes: a container with two of sixteen cores, by the cores it is bound to or by its share of time, gives 2. Sixteen
    threads would take turns there and hold eight times the memory.
    """
    bound = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return max(1, min(bound, read_share(SHARE_FILE) or bound))


def read_share(path: Path) -> int | None:
    """Return how many processors' time a control group grants, rounded up; None where there is no limit, or no file.

    References: Linux kernel documentation, "Control Group v2", cpu.max: "$MAX $PERIOD".
    """
    try:
        granted, period = path.read_text().split()
        return max(1, math.ceil(int(granted) / int(period)))
    except (OSError, ValueError, ZeroDivisionError):  # another system, or "max"
        return None
