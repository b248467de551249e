"""Made rooms for the tests, drawn from seeds by a small ray caster; see ``rooms``."""

from made.movies import write_movie
from made.rooms import (
    JUDGED_SEEDS,
    TUNING_SEEDS,
    Room,
    make_room,
    proxy_arrays,
    truth_plate,
    truth_reached,
)

__all__ = [
    "JUDGED_SEEDS",
    "TUNING_SEEDS",
    "Room",
    "make_room",
    "proxy_arrays",
    "truth_plate",
    "truth_reached",
    "write_movie",
]
