"""Print how plates stand against the truth: the demo's and those of made rooms.

    python tests/bench/truth.py                            # the demo and the judged rooms
    python tests/bench/truth.py 201 202 203:deep_red       # these rooms, each of one kind
    python tests/bench/truth.py demo 101:unreached --hand  # beside the ways by hand (made rooms only)

A sweep takes two runs of the `plate` job, one as it comes and one with 12 key frames. The error is the mean
difference from the truth (both limited to 0.95), relative to the truth's mean. "choice alone" is the noise-free
maximum over the same key frames with true masks; "greedy" the same over frames chosen without noise and with true
masks. Blocked is what is kept out of the plate. Places that no frame shows are left out (their share is printed).
Seeds used for tuning and for judging are listed apart in `made.rooms`.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[i]) for i in (1, 2)]

from made import JUDGED_SEEDS  # noqa: E402
from unwatched import Unwatched  # noqa: E402

import lightstack.jobs.stage.plate as plate_job  # noqa: E402
from bench.truths import KINDS, LIMIT, open_demo, open_room  # noqa: E402
from lightstack.files.write.plates import read_exr  # noqa: E402
from lightstack.jobs.takes.lamp_light import is_blocked  # noqa: E402
from lightstack.jobs.takes.options import PlateOptions  # noqa: E402

FEW_KEYS = 12
LEAST_PIXELS = 30  # a share of fewer says nothing


def run_plate(movie, max_keys=None):
    """Run the whole job; return plate, reach and key frames as written, the look it took, its report's row, seconds."""
    kept, build = [], plate_job.build_sweep

    def build_and_keep(*args, **kwargs):
        kept.append(build(*args, **kwargs))
        return kept[0]

    with tempfile.TemporaryDirectory() as scratch:
        out, start = Path(scratch) / "out", time.perf_counter()
        plate_job.build_sweep = build_and_keep
        try:
            options = PlateOptions(max_keys=max_keys)
            result = plate_job.make_plate([movie], empty=None, out=out, options=options, progress=Unwatched())
        finally:
            plate_job.build_sweep = build
        seconds = time.perf_counter() - start
        channels = read_exr(out / "plate.exr")
        reach = read_exr(out / "light_stack.exr", "reach")["Y"] > 0.5
        keys = [int(row.split(",")[2]) for row in (out / "key_frames.csv").read_text().splitlines()[1:]]
        look = kept[0].look
        flags = dict(zip(look.proxies.source_frames.tolist(), is_blocked(look.blocked), strict=True))
    plate = np.stack([channels[c] for c in "RGB"], -1).astype(np.float32)
    return plate, reach, keys, flags, result.numbers["sweep"], seconds


def compare(plate, truth, hole):
    """Relative mean error, signed error of the darkest fifth and its level, share of grossly wrong pixels."""
    a, b = np.minimum(plate, LIMIT), np.minimum(truth, LIMIT)
    seen = ~hole
    level = b.mean(-1)
    dark = seen & (level <= np.quantile(level[seen], 0.2))
    wrong = (np.abs(a - b) > 0.05) & (np.abs(a - b) > 0.5 * b)
    error = np.abs(a - b)[seen].mean() / b[seen].mean()
    return error, (a - b)[dark].mean(), b[dark].mean(), wrong.any(-1)[seen].mean()


def compare_reach(reach, truth):
    """Words: share that no light reached, and how far found and true places agree."""
    found, true = ~reach, ~truth.reached
    if true.sum() < LEAST_PIXELS:
        return f"unreached {true.mean():.3%} in truth, {found.mean():.3%} found"
    return f"unreached {true.mean():.3%}, IoU {(found & true).sum() / (found | true).sum():.2f}"


def compare_blockers(flags, truth):
    """Share of the true mask that was missed, and of the rest that was blocked, over lit frames."""
    missed = true = wrong = free = 0
    for number, mask in zip(truth.numbers.tolist(), truth.blocked, strict=True):
        mine = flags[number]
        size = mine.shape[::-1]
        mask = cv2.resize(mask.astype(np.float32), size, interpolation=cv2.INTER_AREA) >= 0.5
        missed, true = missed + (mask & ~mine).sum(), true + mask.sum()
        wrong, free = wrong + (mine & ~mask).sum(), free + (~mask).sum()
    return missed / max(true, 1), wrong / free


def judge(truth, room=None):
    """Build one sweep's plate twice and print what it is worth."""
    plate, reach, keys, flags, numbers, seconds = run_plate(truth.movie)
    error, dark, dark_level, gross = compare(plate, truth.plate, truth.hole)
    place = {number: i for i, number in enumerate(truth.numbers.tolist())}
    missed, wrong = compare_blockers(flags, truth)
    few, _, few_keys, *_ = run_plate(truth.movie, FEW_KEYS)
    greedy = truth.score_choice(truth.choose_greedily(FEW_KEYS))
    few_error = compare(few, truth.plate, truth.hole)[0]
    chosen, few_chosen = ([place[k] for k in some if k in place] for some in (keys, few_keys))
    print(
        f"{truth.name}: error {error:.3f} with {len(keys)} keys (choice alone {truth.score_choice(chosen):.3f}, "
        f"coverage {numbers['coverage']}); {len(few_keys)} keys {few_error:.3f} (choice alone "
        f"{truth.score_choice(few_chosen):.3f}; greedy {greedy:.3f} + 0.05 = {greedy + 0.05:.3f}); darkest fifth "
        f"{dark / max(dark_level, 1e-9):+.1%} = {dark / truth.sigma:+.2f} sigma; gross {gross:.2%}; "
        f"{compare_reach(reach, truth)}; blockers {missed:.1%} missed, {wrong:.1%} wrongly blocked; "
        f"never shown {truth.hole.mean():.2%}; {seconds:.1f} s",
        flush=True,
    )
    if room is not None:
        print_ways_by_hand(truth, room)
    return error, few_error, greedy + 0.05, gross, missed, wrong


def filmed_registered(room, k):
    """Frame k minus ambient as filmed, put back with the true pose."""
    centre = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1.0]])
    matrix = np.linalg.inv(centre) @ room.poses[k] @ centre
    flags = cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP
    return cv2.warpPerspective(room.filmed(k), matrix, room.size[::-1], flags=flags) - room.ambient


def stack_filmed(room, frames, *, masked):
    """Per-channel maximum of filmed frames, with true poses and masks or with neither."""
    best = np.zeros(room.ambient.shape, np.float32)
    for k in frames:
        light = filmed_registered(room, k) if masked else room.filmed(k) - room.ambient
        best = np.maximum(best, np.where(room.blocked[k][..., None], 0, light) if masked else light)
    return best


def print_ways_by_hand(truth, room):
    """Print plain maxima of filmed frames: every frame with true masks and poses, and even stills without."""
    lit = truth.numbers - 1
    even = lit[np.linspace(0, len(lit) - 1, 24).astype(int)]
    ways = {
        "every frame, true masks and poses": stack_filmed(room, lit, masked=True),
        "24 even stills by hand": stack_filmed(room, even, masked=False),
        "every frame by hand": stack_filmed(room, lit, masked=False),
    }
    for words, plate in ways.items():
        error, dark, level, gross = compare(plate, truth.plate, truth.hole)
        print(f"    {words}: error {error:.3f}, darkest fifth {dark / max(level, 1e-9):+.1%}, gross {gross:.2%}")


def read_name(name):
    """Split SEED[:KIND] or demo."""
    seed, _, kind = name.partition(":")
    if name != "demo" and (not seed.isdigit() or (kind or "plain") not in KINDS):
        raise argparse.ArgumentTypeError(f"{name}: use demo, SEED or SEED:KIND with KIND of {', '.join(KINDS)}")
    return (None, "demo") if name == "demo" else (int(seed), kind or "plain")


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    default = [read_name("demo"), *((seed, "plain") for seed in JUDGED_SEEDS)]
    parser.add_argument("names", type=read_name, nargs="*", default=default, metavar="demo|SEED[:KIND]")
    parser.add_argument("--hand", action="store_true", help="also the ways by hand")
    args = parser.parse_args()
    rows = []
    for seed, kind in args.names:
        with tempfile.TemporaryDirectory() as scratch:
            truth, room = (open_demo(), None) if seed is None else open_room(seed, kind, Path(scratch))
            rows.append(judge(truth, room if args.hand else None))
    error, few, limit, gross, missed, wrong = np.mean(rows, axis=0)
    print(
        f"mean of {len(rows)}: error {error:.3f}; {FEW_KEYS} keys {few:.3f} against {limit:.3f}; gross {gross:.2%}; "
        f"blockers {missed:.1%} missed, {wrong:.1%} wrongly blocked"
    )


if __name__ == "__main__":
    main()
