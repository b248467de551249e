"""What becomes of a build that is killed, that finds the disk full, or whose kept files are broken.

    python tests/bench/survive.py kill [COUNT]     killed at COUNT moments of every command (50)
    python tests/bench/survive.py full             the largest file that may be written, swept over sizes
    python tests/bench/survive.py small            a disk that is too small (mounts one: Linux, as root)
    python tests/bench/survive.py broken [COUNT]   files of the scratch folder with random bytes, cut short, emptied
    python tests/bench/survive.py alike            threads and memory: the same bytes

Names of commands behind these choose some: build, render, handover, plate, clean, grain, inspect. `SURVIVE_SEED` draws
other moments (several may run side by side), `SURVIVE_IN` names the folder to work in.

A run is a child of this process, which has everything imported and no thread; it is ended by the system's signal, so
that nothing of it can tidy up. Moments are counted in what a program does to files below its output folder, which hits
every gap between two of them, and drawn from the time that a run takes, which hits the rest.
"""

from __future__ import annotations

import faulthandler
import hashlib
import json
import os
import pkgutil
import random
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from importlib import import_module
from pathlib import Path

import av
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from made import make_room, write_movie
from unplotted import without_plots

import lightstack
from lightstack.cli import main as command_line

SIZE, SEED = (72, 128), 31
SCRATCH = ".lightstack"
SHOT = """
[shot]
name = "den"
{more}
[takes.hero]
path = "hero.mkv"

[takes.empty]
path = "empty.mkv"

[[sweep]]
path = "sweep.mkv"
model = "none"
max_keys = 4

[clean]

[[light]]
[light.mix]
points = [[1001, 0.2], [1004, 0.6]]

[grain]

[render]
movie = "ffv1"
elements = ["light", "hero_clean", "holdout"]
"""
FILE_SIZES = (900, 2000, 12_000, 30_000, 90_000, 200_000, 500_000, 1_500_000, 4_000_000)  # bytes
HANGS = 120.0  # seconds after which a run is taken to hang
CHANGES = ("open", "os.rename", "os.remove", "os.link", "os.mkdir", "os.rmdir", "os.truncate")
WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT


def make_shot(folder: Path, more: str = "") -> Path:
    """Draw a small shot with everything in it: sweep, hero, empty take, clean plate, hold-out, frames and movie."""
    folder.mkdir(parents=True, exist_ok=True)
    room = make_room(SEED, size=SIZE, frames=34, lead=10)
    write_movie(room, folder / "sweep.mkv")
    hero = make_room(SEED, size=SIZE, frames=8, take="hero", lead=2, bump_px=0)
    write_movie(hero, folder / "hero.mkv")
    empty = make_room(SEED, size=SIZE, frames=8, take="empty", bump_px=0, turn_deg=0)
    write_movie(empty, folder / "empty.mkv")
    (folder / "shot.toml").write_text(SHOT.format(more=more))
    return folder / "shot.toml"


# --- running ---


def get_ready() -> None:
    """Import everything here, once, and leave plots blank: they take longer than all that they tell of."""
    for module in pkgutil.walk_packages(lightstack.__path__, "lightstack."):
        if not module.name.endswith("__main__"):
            import_module(module.name)
    without_plots().__enter__()


def run_child(words: Sequence[str], *, before: Callable[[], None] | None = None, said: Path | None = None) -> int:
    """Run a command line in a child of its own process group; return its exit code, or minus the signal."""
    return await_child(start_child(words, before=before, said=said))


def await_child(child: int) -> int:
    """Wait for a child; one that hangs says where its threads are, and ends by that signal."""
    begun = time.monotonic()
    while time.monotonic() - begun < HANGS:
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended:
            return os.waitstatus_to_exitcode(status)
        time.sleep(0.02)
    os.kill(child, signal.SIGABRT)
    time.sleep(1)
    return stop_group(child)


def start_child(words: Sequence[str], *, before: Callable[[], None] | None = None, said: Path | None = None) -> int:
    """Begin a command line in a child of its own process group; return its number. ``said``: where its lines go."""
    child = os.fork()
    if child:
        return child
    os.setsid()
    code = 70
    try:
        number = os.open(said or os.devnull, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(number, 1)
        os.dup2(number, 2)
        faulthandler.enable(all_threads=True)
        if before is not None:
            before()
        code = command_line.run(list(words))
    except BaseException:
        import traceback

        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


def die_at(count: int, below: Path) -> Callable[[], None]:
    """Return what makes a child end itself before its ``count``-th change to a file below a folder."""
    return watch_changes(below, lambda at: at == count and os.kill(os.getpid(), signal.SIGKILL))


def count_changes(below: Path, into: Path) -> Callable[[], None]:
    """Return what makes a child note how many changes it makes to files below a folder."""
    number = os.open(into, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    return watch_changes(below, lambda at: os.pwrite(number, str(at).encode(), 0))


def watch_changes(below: Path, see: Callable[[int], object]) -> Callable[[], None]:
    """Return what makes a child call ``see`` with every change's number, from 1."""
    prefix, at = str(below), 0

    def hook(event: str, arguments: tuple) -> None:
        nonlocal at
        if event not in CHANGES or not arguments or not isinstance(arguments[0], (str, os.PathLike)):
            return
        if event == "open" and not (arguments[2] or 0) & WRITING:
            return
        if os.path.abspath(arguments[0]).startswith(prefix):
            at += 1
            see(at)

    return lambda: sys.addaudithook(hook)


# --- judging ---


def digest_tree(folder: Path) -> dict[str, str]:
    """Return the SHA-256 of every file below a folder, what is kept between builds left out."""
    files = (path for path in sorted(folder.rglob("*")) if path.is_file())
    kept = (path for path in files if SCRATCH not in path.relative_to(folder).parts)
    return {str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() for path in kept}


def list_parts(folder: Path) -> list[str]:
    """Return whatever lies below a folder, scratch included, under a temporary name."""
    return [str(p.relative_to(folder)) for p in folder.rglob("*") if ".part" in p.name and not p.name.endswith("npart")]


def check_whole(path: Path) -> None:
    """Open a file to its end, by a library that had no part in writing it where there is one. Raises for a broken one.
    """
    kind = path.suffix.lower()
    if kind == ".exr":
        import OpenImageIO

        picture = OpenImageIO.ImageInput.open(str(path))
        assert picture is not None, path
        for part in range(10_000):
            if not picture.seek_subimage(part, 0):
                break
            assert picture.read_image(part, 0, 0, -1, "float") is not None, (path, picture.geterror())
        picture.close()
    elif kind == ".png":
        from PIL import Image

        with Image.open(path) as picture:
            picture.load()
    elif kind in (".json", ".otio"):
        json.loads(path.read_text())
    elif kind in (".mp4", ".mov", ".mkv"):
        with av.open(str(path)) as movie:
            frames = sum(1 for _ in movie.decode(video=0))
            assert frames, path
    elif kind == ".npz":
        with np.load(path, allow_pickle=False) as kept:
            for name in kept.files:
                kept[name]
    elif kind in (".csv", ".html", ".txt"):
        text = path.read_text()
        assert text.endswith("\n") or text.rstrip().endswith("</html>"), path


def check_left(folder: Path) -> list[str]:
    """Return every file under its own name, kept records included, that is not whole."""
    broken = []
    for path in folder.rglob("*") if folder.is_dir() else ():
        kept = SCRATCH in path.parts and path.suffix not in (".npz", ".json")
        if not path.is_file() or ".part" in path.name or kept:
            continue
        try:
            check_whole(path)
        except Exception as error:
            broken.append(f"{path.relative_to(folder)}: {error}")
    return broken


# --- what is tried ---


class Case:
    """A command with the folder that it writes into. ``after``: commands that must have run before it."""

    def __init__(self, name: str, words: list[str], out: Path, after: Sequence[list[str]] = ()) -> None:
        self.name, self.words, self.out, self.after = name, words, out, tuple(after)
        self.watched = out
        self.kept = out.with_name(f"{out.name}.before")

    def prepare(self) -> None:
        """Run what comes before, once, and keep what it left."""
        shutil.rmtree(self.out, ignore_errors=True)
        for words in self.after:
            assert run_child(words) == 0, words
        if self.out.is_dir():
            shutil.rmtree(self.kept, ignore_errors=True)
            shutil.copytree(self.out, self.kept, symlinks=True)

    def begin(self) -> None:
        """Put back what was there before the command."""
        shutil.rmtree(self.out, ignore_errors=True)
        if self.kept.is_dir():
            shutil.copytree(self.kept, self.out, symlinks=True)


def list_cases(work: Path) -> list[Case]:
    """Return the commands that write files, on one made shot."""
    shot = str(make_shot(work / "shot", 'out = "../out"'))
    takes, out = work / "shot", work / "out"
    build = ["build", shot, "-q"]
    made = [
        Case("build", build, out),
        Case("render", ["render", shot, "-q"], out),
        Case("handover", ["handover", shot, str(work / "handed"), "-q", "--replace"], work / "handed"),
        Case("plate", ["plate", str(takes / "sweep.mkv"), "-o", str(work / "plate"), "-q"], work / "plate"),
        Case("clean", ["clean", str(takes / "hero.mkv"), "-o", str(work / "clean" / "c.exr"), "-q"], work / "clean"),
        Case("grain", ["grain", "measure", str(takes / "empty.mkv"), "-o", str(work / "grain" / "g.json"), "-q"],
             work / "grain"),
        Case("inspect", ["inspect", str(takes / "sweep.mkv"), "-o", str(work / "look"), "-q"], work / "look"),
    ]  # fmt: skip
    made[2].watched = work  # it is written beside its place
    return made


def try_killed(case: Case, count: int, draw: random.Random, work: Path) -> list[str]:
    """Kill a command at many moments, run it again each time, and return what was wrong."""
    case.prepare()
    case.begin()
    note, begun = work / "changes", time.monotonic()
    assert run_child(case.words, before=count_changes(case.watched, note)) == 0, case.words
    lasts, changes, whole = time.monotonic() - begun, int(note.read_text()), digest_tree(case.out)
    wrong, killed = [], 0
    print(f"{case.name}: {changes} changes in {lasts:.1f} s, {len(whole)} files", flush=True)
    for k in range(count):
        case.begin()
        if k % 2:
            at = f"after {(after := draw.uniform(0.05, lasts)):.2f} s"
            child = start_child(case.words)
            time.sleep(after)
            code = stop_group(child)
        else:
            moment = draw.randint(1, changes)
            at, code = f"at change {moment}", run_child(case.words, before=die_at(moment, case.watched))
        killed += code == -signal.SIGKILL
        print(f"  {k}: killed {at}", flush=True)
        wrong += [f"{case.name}, killed {at}: {line}" for line in check_left(case.out)]
        said = work / "said"
        code = run_child(case.words, said=said)
        if code:
            wrong.append(f"{case.name}, killed {at}: run again it ends with {code}: {said.read_text()[-900:]}")
            continue
        wrong += [f"{case.name}, killed {at}: {name} is left" for name in list_parts(case.out)]
        again = digest_tree(case.out)
        other = sorted(name for name in {*whole, *again} if whole.get(name) != again.get(name))
        wrong += [f"{case.name}, killed {at}: differs: {', '.join(other[:6])}"] if other else []
    print(f"{case.name}: killed {killed} of {count}; {len(wrong)} wrong", *wrong, sep="\n  ", flush=True)
    return wrong


def stop_group(child: int) -> int:
    """Kill a child's process group where it still runs; return how it ended."""
    with suppress(ProcessLookupError):
        os.killpg(child, signal.SIGKILL)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def try_full(case: Case, work: Path, sizes: Sequence[int]) -> list[str]:
    """Let no file grow beyond a size; return what was wrong."""
    case.prepare()
    case.begin()
    assert run_child(case.words) == 0
    whole, wrong, refused = digest_tree(case.out), [], 0
    for size in sizes:
        case.begin()
        before, said = digest_tree(case.out), work / "said"

        def limit(size: int = size) -> None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))

        code, at = run_child(case.words, before=limit, said=said), f"{case.name}, {size} bytes a file"
        lines = said.read_bytes().decode(errors="replace")
        if code:
            refused += 1
            if code != 1 or lines.count("\n") != 1 or "cannot be written" not in lines:
                wrong.append(f"{at}: ends with {code}: {lines[-900:]}")
            now = digest_tree(case.out)
            wrong += [f"{at}: {name} is lost" for name in before if name not in now]
            wrong += [f"{at}: {line}" for line in check_left(case.out)]
        code = run_child(case.words, said=said)
        again = digest_tree(case.out)
        if code or again != whole:
            other = sorted(name for name in {*whole, *again} if whole.get(name) != again.get(name))
            wrong.append(f"{at}: run again: {code}, {other[:6]} {said.read_text()[-900:] if code else ''}")
        wrong += [f"{at}: {name} is left" for name in list_parts(case.out)]
    print(f"{case.name}: refused {refused} of {len(sizes)}; {len(wrong)} wrong", *wrong, sep="\n  ", flush=True)
    return wrong


def try_small(case: Case, work: Path, sizes: Sequence[int]) -> list[str]:
    """Let a command write on a disk that is too small, then make it larger; return what was wrong. Linux, as root."""
    case.prepare()
    case.begin()
    assert run_child(case.words) == 0
    whole, wrong, refused, said = digest_tree(case.out), [], 0, work / "said"
    for size in sizes:
        shutil.rmtree(case.out)
        case.out.mkdir()
        subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}k", "tmpfs", str(case.out)], check=True)
        try:
            code, at = run_child(case.words, said=said), f"{case.name}, {size} kB of disk"
            lines = said.read_text(errors="replace")
            refused += code == 1
            if code and (code != 1 or lines.count("\n") != 1 or ("cannot be" not in lines and "needs" not in lines)):
                wrong.append(f"{at}: ends with {code}: {lines[-900:]}")
            wrong += [f"{at}: {line}" for line in check_left(case.out)]
            subprocess.run(["mount", "-o", "remount,size=200m", str(case.out)], check=True)
            code, again = run_child(case.words, said=said), digest_tree(case.out)
            if code or again != whole:
                wrong.append(f"{at}: run again: {code} {said.read_text()[-900:]}")
            wrong += [f"{at}: {name} is left" for name in list_parts(case.out)]
        finally:
            subprocess.run(["umount", str(case.out)], check=True)
    print(f"{case.name}: refused {refused} of {len(sizes)}; {len(wrong)} wrong", *wrong, sep="\n  ", flush=True)
    return wrong


def try_broken(case: Case, work: Path, draw: random.Random, count: int) -> list[str]:
    """Break files of the scratch folder, as if they had been kept so; return what was wrong."""
    case.prepare()
    case.begin()
    assert run_child(case.words) == 0
    whole, wrong, said = digest_tree(case.out), [], work / "said"
    sound = work / "sound"
    shutil.rmtree(sound, ignore_errors=True)
    shutil.copytree(case.out, sound, symlinks=True)
    names = sorted(str(p.relative_to(sound)) for p in sound.rglob("*") if p.is_file() and SCRATCH in p.parts)
    ways: dict[str, Callable[[bytes], bytes]] = {
        "noise": lambda data: draw.randbytes(len(data)), "cut": lambda data: data[: len(data) // 2],
        "empty": lambda data: b"", "list": lambda data: b"[1]", "table": lambda data: b'{"a": {"b": [null]}}',
    }  # fmt: skip
    tries = [(name, way) for name in names for way in ways]
    for name, way in draw.sample(tries, min(count, len(tries))):
        for more in ((), ("--force",)) if way == "noise" else ((),):
            shutil.rmtree(case.out)
            restore(sound, case.out)
            path = case.out / name
            stat = path.stat()
            path.write_bytes(ways[way](path.read_bytes()))
            os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
            if draw.random() < 0.7:  # something is asked for that needs what is kept
                (case.out / draw.choice(sorted(whole))).unlink()
            code = run_child([*case.words, *more], said=said)
            lines = said.read_text(errors="replace")
            at = f"{case.name}, {name} {way} {' '.join(more)}"
            if code == 1 and lines.count("\n") == 1 and "Traceback" not in lines:
                wrong.append(f"{at}: (one line) {lines.strip()}")
                code = run_child([*case.words, "--force"], said=said)
                lines = said.read_text(errors="replace")
            again = digest_tree(case.out)
            other = sorted(n for n in {*whole, *again} if whole.get(n) != again.get(n))
            if code or other:
                wrong.append(f"{at}: ends with {code}, differs: {other[:5]} {lines[-1500:] if code else ''}")
    print(f"{case.name}: {len(names)} files, {len(wrong)} to look at", *wrong, sep="\n  ", flush=True)
    return wrong


def restore(source: Path, target: Path) -> None:
    """Copy a tree with its time stamps."""
    shutil.copytree(source, target, symlinks=True)


def try_alike(case: Case) -> list[str]:
    """Run a command with other threads and memory; return what differs."""
    found, wrong = {}, []
    budgets = [["--threads", str(n)] for n in (1, 2, 4)] + [["--memory", size] for size in ("260MiB", "400MiB", "2GiB")]
    for more in budgets:
        case.prepare()
        shutil.rmtree(case.out, ignore_errors=True)
        code = run_child([*case.words, *more], said=case.out.with_name("said"))
        if code:
            print(f"{case.name} {' '.join(more)}: {case.out.with_name('said').read_text()[-400:]}")
            continue
        found[" ".join(more)] = digest_tree(case.out)
    first = next(iter(found.values()), {})
    for more, tree in found.items():
        other = sorted(name for name in {*first, *tree} if first.get(name) != tree.get(name))
        wrong += [f"{case.name} {more}: differs: {', '.join(other)}"] if other else []
    print(f"{case.name}: {len(found)} ways of {len(budgets)}; {len(wrong)} differ", *wrong, sep="\n  ", flush=True)
    return wrong


def main(words: list[str]) -> int:
    """Try what is asked for; the exit code tells whether anything was wrong."""
    kind, count = words[0], int(words[1]) if words[1:] and words[1].isdigit() else 50
    only = [word for word in words[1:] if not word.isdigit()]
    draw = random.Random(int(os.environ.get("SURVIVE_SEED", SEED)))
    get_ready()
    with tempfile.TemporaryDirectory(prefix="survive_", dir=os.environ.get("SURVIVE_IN")) as name:
        work = Path(name)
        cases = list_cases(work)
        if only:
            cases = [case for case in cases if case.name in only]
        wrong: list[str] = []
        for case in cases:
            if case.name == "handover":
                assert run_child(["render", str(work / "shot" / "shot.toml"), "-q"]) == 0
            if kind == "kill":
                wrong += try_killed(case, count, draw, work)
            elif kind == "full":
                wrong += try_full(case, work, FILE_SIZES)
            elif kind == "small":
                wrong += try_small(case, work, [40, 150, 400, 800, 1500, 3000, 5000, 12_000, 20_000, 30_000])
            elif kind == "broken":
                wrong += try_broken(case, work, draw, count)
            elif kind == "alike":
                wrong += try_alike(case)
        return bool(wrong)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
