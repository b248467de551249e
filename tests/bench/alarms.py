"""Inspect faultless takes and print every grade but "good": ``python tests/bench/alarms.py [--quick] [WORD...]``.

Made rooms (hero, empty take and sweep of one set are inspected together) and photographs as a still camera films them,
lit evenly or by a soft light that is carried past. Codecs, sizes, chroma, curves and noise go round. Words pick the
sets whose names hold one of them.
"""

from __future__ import annotations

import sys
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from made import make_room
from made.camera import expose
from made.formats import FORMATS, write_take
from made.photos import PHOTOS, film_photo
from unwatched import Unwatched

from lightstack.jobs.inspect.inspect import inspect_takes
from lightstack.jobs.inspect.options import InspectOptions

QUIET, USUAL, GRAINY, NONE = (5e-5, 5e-7), (4e-4, 4e-6), (2e-3, 2e-5), (0.0, 0.0)
STILL = {"bump_px": 0.0, "turn_deg": 0.0}
LAMPS = {"ambient": (0, 0), "lamp": (12, 0), "other": (0, 20), "both": (12, 20)}  # frames whose light is on
LENGTH = {"sweep": (72, 18), "hero": (48, 10), "empty": (36, 12)}
SMALL, MIDDLE, LARGE = (180, 320), (270, 480), (1080, 1920)


@dataclass(frozen=True)
class Dimmed:
    """A room ``stops`` darker; with ``lamps`` not a sweep but always lit as in those frames (0: none)."""

    room: object
    stops: float = 0.0
    lamps: tuple = ()

    def __getattr__(self, name):
        return getattr(self.room, name)

    def __len__(self):
        return 36 if self.lamps else len(self.room)

    def planes(self, k):
        room = self.room
        rng = np.random.default_rng([room.seed, 7907, k, *self.lamps])
        light = self._light(k) * np.float32(2.0**-self.stops)
        return expose(light, rng, noise=room.noise, bits=room.bits, curve=room.curve, chroma=room.chroma)

    def _light(self, k):
        if not self.lamps:
            return self.room.seen(k)
        return self.room.ambient + sum(self.room.clean[i].astype(np.float32) for i in self.lamps if i)


@dataclass(frozen=True)
class Set:
    """Takes that are inspected together. ``formats``: names in FORMATS, one for all or one each."""

    seed: int
    takes: tuple = ("empty",)
    size: tuple = MIDDLE
    formats: tuple = ("h264-18",)
    noise: tuple = USUAL
    curve: str = "bt709"
    stops: float = 0.0
    more: dict = field(default_factory=dict)

    def film(self):
        for i, take in enumerate(self.takes):
            form = FORMATS[self.formats[i % len(self.formats)]]
            camera = {"noise": self.noise, "curve": self.curve, "chroma": form.chroma, "bits": form.bits}
            rest = {**STILL, **self.more, **camera, "size": self.size}
            if take in LENGTH:
                frames, lead = LENGTH[take]
                room = make_room(self.seed, take=take, frames=frames, lead=lead, **rest)
                yield take, form, Dimmed(room, self.stops)
            else:
                room = make_room(self.seed, frames=32, lead=4, carrier=False, **rest)
                yield take, form, Dimmed(room, self.stops, LAMPS[take])


ALL = ("hero", "empty", "sweep")
SETS = {
    "room-h264": Set(901, ALL, MIDDLE, ("h264-18",)),
    "room-prores-grainy": Set(902, ALL, SMALL, ("prores",), GRAINY),
    "room-log": Set(903, ALL, SMALL, ("ffv1-422",), curve="slog3"),
    "room-crf26": Set(904, ("hero", "empty"), MIDDLE, ("h264-26",), QUIET),
    "hero-png": Set(907, ("hero", "empty"), SMALL, ("png",)),
    "hero-exr": Set(908, ("hero", "empty"), SMALL, ("exr",), curve="linear"),
    "sweep-dpx": Set(909, ("sweep",), SMALL, ("dpx",), USUAL, more={"gel": "amber"}),
    "dark": Set(910, ALL, SMALL, ("h264-16", "prores", "h264-12"), QUIET, stops=2.5),
    "dim-corner-red": Set(911, ("sweep", "empty"), SMALL, ("h264-20",), more={"gel": "red", "dim_corner": True}),
    "walker-gap": Set(912, ("sweep",), SMALL, ("h264-14",), more={"walker": True, "gap": 16, "gel": "green"}),
    "lamps": Set(913, ("ambient", "lamp", "other", "both"), SMALL, ("h264-16",)),
    "render": Set(914, ("empty", "hero"), SMALL, ("png8",), NONE),
    "log-h264": Set(915, ("hero", "empty"), MIDDLE, ("h264-20-10",), curve="slog3"),
    "heavy-crf22": Set(916, ("empty", "sweep"), SMALL, ("h264-22",), GRAINY),
}


@dataclass(frozen=True)
class Photo:
    """A photograph as a set: a still take, one with somebody, one with a soft light carried past."""

    name: str
    takes: tuple
    formats: tuple
    noise: tuple = USUAL
    curve: str = "bt709"
    size: tuple | None = None

    def film(self):
        for i, take in enumerate(self.takes):
            form = FORMATS[self.formats[i % len(self.formats)]]
            camera = {"noise": self.noise, "curve": self.curve, "form": form, "size": self.size}
            yield take, form, film_photo(self.name, take, **camera)


KINDS = (("still",), ("still", "soft"), ("crossed", "still"), ("soft",), ("still", "soft"), ("crossed", "soft"))
CODED = (("h264-18",), ("h264-23",), ("h264-20",), ("h264-14",), ("prores",), ("h264-26", "h264-20"))
NOISES = (USUAL, QUIET, GRAINY)
for i, name in enumerate(PHOTOS):
    SETS[f"photo-{name}"] = Photo(name, KINDS[i % 6], CODED[i % 6], NOISES[i % 3])
    SETS[f"again-{name}"] = Photo(name, KINDS[(i + 3) % 6], CODED[(i + 2) % 6], NOISES[(i + 1) % 3])


SETS["large-h264"] = Photo("china", ("still", "crossed"), ("h264-23",), USUAL, size=LARGE)
SETS["large-dnxhr"] = Photo("motorcycle_left", ("still",), ("dnxhr",), GRAINY, size=LARGE)
SETS["large-log"] = Photo("rocket", ("still",), ("prores",), QUIET, "slog3", (720, 1280))


def inspect_set(name, folder, *, quick=False):
    """Film a set and inspect its takes together; the takes' findings."""
    paths, colour = [], None
    for take, form, room in SETS[name].film():
        paths.append(write_take(room, folder, f"{name}_{take}", form))
        colour = {"slog3": "slog3", "linear": "linear"}.get(room.curve, form.colour)
    options = InspectOptions(quick=quick, colour=colour)
    return inspect_takes(paths, out=folder / f"{name}_out", options=options, progress=Unwatched())


def main(words):
    quick, picked = "--quick" in words, [word for word in words if not word.startswith("--")]
    count = alarms = 0
    with tempfile.TemporaryDirectory() as folder:
        for name in [n for n in SETS if not picked or any(word in n for word in picked)]:
            found = inspect_set(name, Path(folder), quick=quick)
            for take in found.takes:
                told = [f for f in take.findings if f.grade in ("usable", "reshoot")]
                count, alarms = count + bool(len(take.source_frames)), alarms + bool(told)
                print(name, take.take, take.role, take.about, take.grade, sep=" | ", flush=True)
                for f in told:
                    print(f"    {f.grade} {f.check}: {f.says}", flush=True)
            for note in found.notes:
                print("    note:", note, flush=True)
    print(f"{count} faultless takes, {alarms} with a false alarm")


if __name__ == "__main__":
    main(sys.argv[1:])
