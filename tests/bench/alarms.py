"""Inspect faultless made takes and print every grade but "good": ``python tests/bench/alarms.py [--quick] SEED...``.

Each seed gives a sweep, a hero and an empty take; codecs (FFV1, H.264 at CRF 16 and 20, ProRes) and noise go round.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from made import make_room, write_movie
from unwatched import Unwatched

from lightstack.jobs.inspect import inspect_takes
from lightstack.jobs.inspect_options import InspectOptions

CODECS = (
    ("ffv1", "mkv", {}, {}),
    ("libx264", "mp4", {"crf": "16"}, {"chroma": "420", "bits": 8}),
    ("prores_ks", "mov", {"profile": "3"}, {"chroma": "422", "bits": 10}),
    ("libx264", "mp4", {"crf": "20"}, {"chroma": "420", "bits": 10}),
)
NOISES = ((4e-4, 4e-6), (2e-4, 2e-6), (8e-4, 8e-6))
TAKES = {"sweep": 96, "hero": 72, "empty": 72}


def main(words):
    quick, seeds = "--quick" in words, [int(word) for word in words if word.isdigit()] or list(range(11, 18))
    count = alarms = 0
    with tempfile.TemporaryDirectory() as folder:
        for i, seed in enumerate(seeds):
            for k, (take, frames) in enumerate(TAKES.items()):
                codec, ending, options, camera = CODECS[(i + k) % len(CODECS)]
                room = make_room(
                    seed, take=take, frames=frames, lead=26, bump_px=0.0, turn_deg=0.0, noise=NOISES[i % 3], **camera
                )
                path = write_movie(room, Path(folder) / f"{seed}_{take}.{ending}", codec=codec, options=options)
                out = Path(folder) / "out"
                options = InspectOptions(quick=quick)
                found = inspect_takes([path], out=out, options=options, progress=Unwatched()).takes[0]
                told = [f for f in found.findings if f.grade in ("usable", "reshoot")]
                count, alarms = count + 1, alarms + bool(told)
                print(
                    seed, take, codec, options, found.grade, *(f"\n    {f.check}: {f.says}" for f in told), flush=True
                )
    print(f"{count} faultless takes, {alarms} with a false alarm")


if __name__ == "__main__":
    main(sys.argv[1:])
