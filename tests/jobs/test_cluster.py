"""Pieces of work over a real scheduler: the same bytes, in order, and one line for everything that can be wrong."""

import hashlib
import os
import pickle
import signal
import sys
import threading
import time
from dataclasses import replace
from operator import getitem
from pathlib import Path

import numpy as np
import pytest
from made import make_room, write_movie

from lightstack.errors import ClusterError, MissingInput, SettingError, UnreadableInput, UnusableTake
from lightstack.files.called_off import go_on
from lightstack.files.folder import OutFolder, read_json, replaced_whole
from lightstack.files.kept.handed import read_handed, write_handed
from lightstack.files.read.takes import open_take
from lightstack.jobs.clean.takes import CleanOptions, clean_takes
from lightstack.jobs.inspect.inspect import inspect_takes
from lightstack.jobs.inspect.options import InspectOptions, describe_findings
from lightstack.jobs.shot.build import build_shot
from lightstack.jobs.spread import cluster as cluster_job
from lightstack.jobs.spread.cluster import connect
from lightstack.jobs.spread.pieces import cut_frames, cut_range
from lightstack.jobs.stage.plate import make_plate
from lightstack.jobs.takes.machines import NONE, with_machines
from lightstack.jobs.takes.options import BuildOptions, PlateOptions

SHOT = """
[shot]
name = "den"
out = "{out}"
[takes.hero]
path = "hero.mkv"
[takes.empty]
path = "empty.mkv"
[[sweep]]
path = "sweep.mkv"
name = "lamp"
max_keys = 8
travel_keys = 10
group = [{{ name = "late", frames = [[30, 60]] }}]
[[light]]
name = "late"
group = "late"
[light.mix]
points = [[1003, 0.0], [1006, 0.4]]
[[light]]
name = "goes"
using = "path"
lay = "screen"
path = {{ points = [[1001, 40, 40], [1012, 150, 60]] }}
[[patch]]
name = "spot"
from = "empty"
[[patch.shape]]
polygon = [[10, 10], [50, 10], [50, 60], [10, 60]]
[clean]
[render]
movie = "ffv1"
elements = ["light", "hero_clean", "holdout", "figure", "background", "background_lit"]
"""


def start(**options):
    """A scheduler with two workers that are spoken to through sockets."""
    from distributed import LocalCluster

    given = {"n_workers": 2, "threads_per_worker": 1, "processes": False, "protocol": "tcp://", **options}
    return LocalCluster(dashboard_address="127.0.0.1:0", host="127.0.0.1", **given)


@pytest.fixture(scope="module")
def address():
    with start() as cluster:
        yield cluster.scheduler_address


@pytest.fixture
def folder(tmp_path):
    folder = OutFolder(tmp_path / "out")
    folder.scratch.mkdir(parents=True)
    return folder


def digest(out):
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in out.iterdir() if path.is_file()}


def within(seconds, holds):
    """Wait until something holds, and tell whether it did."""
    begun = time.monotonic()
    while not holds() and time.monotonic() - begun < seconds:
        time.sleep(0.02)
    return holds()


# --- the same bytes ----------------------------------------------------------------------------------


def test_a_plate_over_a_cluster_is_the_same_to_the_byte(address, tmp_path, silence, monkeypatch):
    sweep = write_movie(make_room(1, size=(72, 128), frames=24, lead=6), tmp_path / "sweep.mkv")
    monkeypatch.chdir(tmp_path)
    for name, where in (("here", None), ("there", address)):
        options = PlateOptions(max_keys=5, cluster=where)
        make_plate([sweep.relative_to(tmp_path)], empty=None, out=tmp_path / name, options=options, progress=silence)
    assert digest(tmp_path / "there") == digest(tmp_path / "here")
    run = read_json(tmp_path / "there" / ".lightstack" / "run.json")
    assert sum(run["cluster"]["workers"].values()) == 2 and run["seconds"] > 0
    assert "cluster" not in read_json(tmp_path / "here" / ".lightstack" / "run.json")
    assert not (tmp_path / "there" / ".lightstack" / "spread").exists()


def test_an_inspection_over_a_cluster_says_the_same(address, tmp_path, silence):
    takes = [
        write_movie(make_room(1, size=(72, 128), frames=24, lead=6), tmp_path / "sweep.mkv"),
        write_movie(make_room(1, size=(72, 128), frames=12, take="empty", bump_px=0, turn_deg=0), tmp_path / "e.mkv"),
    ]
    found = {}
    for name, where in (("here", None), ("there", address)):
        options = InspectOptions(cluster=where)
        seen = inspect_takes(takes, out=tmp_path / name, options=options, progress=silence)
        found[name] = [describe_findings(take) for take in seen.takes], seen.notes, seen.files
    assert found["there"] == found["here"]
    assert digest(tmp_path / "there") == digest(tmp_path / "here")
    left = [sorted(entry.name for entry in (tmp_path / name / ".lightstack").iterdir()) for name in found]
    assert left[1] == left[0]


def test_a_cluster_that_cannot_help_an_inspection_is_refused_before_anything_is_read(tmp_path, silence):
    take = write_movie(make_room(1, size=(72, 128), frames=4, take="empty"), tmp_path / "empty.mkv")
    for options, says in (({}, "-o FOLDER"), ({"quick": True}, "--quick")):
        with pytest.raises(SettingError, match=says):
            given = InspectOptions(cluster="tcp://127.0.0.1:1", **options)
            inspect_takes([take], out=None, options=given, progress=silence)


@pytest.mark.slow
@pytest.mark.parametrize("method", ["median", "longest_rest"])
def test_a_clean_plate_over_a_cluster_is_the_same_to_the_byte(address, tmp_path, silence, method):
    take = write_movie(make_room(4, size=(72, 128), frames=16, take="hero", lead=3), tmp_path / "hero.mkv")
    for name, where in (("here", None), ("there", address)):
        options = CleanOptions(method=method, cluster=where)
        numbers = clean_takes([take], tmp_path / name / "c.exr", options=options, progress=silence).numbers
        (tmp_path / name / "numbers").write_text(str(numbers))
    assert digest(tmp_path / "there") == digest(tmp_path / "here")


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore::ResourceWarning")  # of the process that is killed
def test_a_whole_shot_is_the_same_to_the_byte_though_a_worker_is_killed(tmp_path, silence):
    size = (144, 256)  # the encoder of the preview repeats itself to the byte where the width is a multiple of 128
    write_movie(make_room(4, size=size, frames=12, take="hero", lead=3), tmp_path / "hero.mkv")
    write_movie(make_room(4, size=size, frames=8, take="empty", bump_px=0, turn_deg=0), tmp_path / "empty.mkv")
    write_movie(make_room(4, size=size, frames=60, lead=10), tmp_path / "sweep.mkv")
    shot, made = tmp_path / "shot.toml", tmp_path / "out"
    shot.write_text(SHOT.format(out="out"))
    build_shot(shot, options=BuildOptions(), progress=silence)
    here = digest(made)
    made.rename(tmp_path / "here")
    with start(n_workers=3, processes=True) as cluster:
        ids = [worker.pid for worker in cluster.workers.values()]
        killed = []

        def kill():
            while not (made / ".lightstack" / "spread").exists():
                time.sleep(0.05)
            time.sleep(4)
            os.kill(ids[0], signal.SIGKILL)
            killed.append(ids[0])

        thread = threading.Thread(target=kill, daemon=True)
        thread.start()
        build_shot(shot, options=BuildOptions(cluster=cluster.scheduler_address), progress=silence)
        thread.join(1)
    assert killed and digest(made) == here


# --- pieces ------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_results_come_in_order_and_pieces_are_asked_for_a_few_ahead(address, folder, silence):
    taken = []

    def pieces():
        for k in range(30):
            taken.append(k)
            yield k

    with connect(address, folder, workers=2, progress=silence) as spread:
        assert spread.hands == 2
        found = spread.run(getitem, [k * k for k in range(30)], pieces())
        assert next(found) == 0
        assert len(taken) <= 2 * spread.hands + 2
        assert list(found) == [k * k for k in range(1, 30)]
        assert list(spread.run(getitem, [], [])) == []
        assert not list((folder.scratch / "spread").glob("*.job"))
    assert "2 workers on 1 machine" in " ".join(silence.lines)


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore::ResourceWarning")  # of the process that is killed
def test_a_worker_that_is_killed_costs_only_what_it_had_begun(folder, silence, tmp_path):
    done = tmp_path / "done"

    def work(context, piece):  # goes by value, since workers do not know this module
        time.sleep(0.3)
        with done.open("a") as stream:
            stream.write(f"{piece} {os.getpid()}\n")
        return context * piece

    with start(n_workers=3, processes=True) as cluster:
        ids = [worker.pid for worker in cluster.workers.values()]
        with connect(cluster.scheduler_address, folder, workers=3, progress=silence) as spread:
            found = []
            for result in spread.run(work, 7, range(24)):
                found.append(result)
                if len(found) == 5:
                    os.kill(ids[0], signal.SIGKILL)
    assert found == [7 * k for k in range(24)]
    lines = [line.split() for line in done.read_text().splitlines()]
    assert len(lines) <= 24 + 2 + 4 and ids[0] in {int(who) for _, who in lines}  # pieces on their way to it at most


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore::ResourceWarning")  # of the process that is killed
def test_what_a_killed_worker_left_half_written_is_cleared(folder, silence, tmp_path):
    begun = tmp_path / "begun"
    begun.mkdir()

    def work(context, piece):
        with replaced_whole(context / f"{piece}.bin") as part:
            part.write_bytes(b"half")
            (begun / f"{piece}.{os.getpid()}").touch()
            time.sleep(0.5)
            part.write_bytes(b"whole")

    def kill():
        while not any(begun.iterdir()):
            time.sleep(0.01)
        os.kill(int(next(begun.iterdir()).suffix[1:]), signal.SIGKILL)
        left.extend(folder.path.glob(".*.part.bin"))

    left = []
    with start(n_workers=2, processes=True) as cluster:
        thread = threading.Thread(target=kill, daemon=True)
        thread.start()
        with connect(cluster.scheduler_address, folder, workers=2, progress=silence) as spread:
            list(spread.run(work, folder.path, range(6)))
        thread.join(1)
    assert left and len(list(begun.iterdir())) > 6  # somebody did it again
    assert sorted(path.name for path in folder.path.iterdir()) == [".lightstack", *(f"{k}.bin" for k in range(6))]
    assert all(path.read_bytes() == b"whole" for path in folder.path.glob("*.bin"))


@pytest.mark.slow
@pytest.mark.parametrize("processes", [False, True])
def test_where_a_job_ends_early_its_pieces_stop(folder, silence, processes):
    def work(context, piece):
        if piece == 0:
            return 0
        with replaced_whole(context / f"{piece}.bin") as part:
            part.write_bytes(b"half")
            while True:
                go_on()
                time.sleep(0.01)

    with start(processes=processes) as cluster, connect(cluster.scheduler_address, folder, progress=silence) as spread:
        found = spread.run(work, folder.path, range(9))
        assert next(found) == 0
        while not list(folder.path.glob(".*.part.bin")):
            time.sleep(0.01)
        found.close()
        assert [path.name for path in folder.path.iterdir()] == [".lightstack"]
        assert list(spread.run(getitem, "ab", [0, 1])) == ["a", "b"]  # the workers are free again
        assert within(10, lambda: not cluster.scheduler.tasks)


def refuse(context, piece):
    raise UnusableTake(f"take.mov: frame {piece}: {context}")


@pytest.mark.slow
def test_the_error_of_a_worker_is_the_error_here(address, folder, silence):
    with connect(address, folder, progress=silence) as spread:
        with pytest.raises(UnusableTake, match=r"^take\.mov: frame \d: black$"):
            list(spread.run(refuse, "black", range(9)))
        with pytest.raises(ZeroDivisionError):  # a bug stays one
            list(spread.run(divmod, 1, [0]))
        assert list(spread.run(getitem, "ab", [0, 1])) == ["a", "b"]


@pytest.mark.parametrize("sync", [None, (1,), (1, 13, 25, 37), (1, 2, 3, 50)])
@pytest.mark.parametrize("hands", [1, 2, 7])
def test_pieces_hold_every_frame_once_and_begin_where_decoding_does(sync, hands):
    numbers = [*range(2, 40, 2), *range(40, 60)]
    pieces = cut_frames(numbers, sync, hands, most=9)
    assert [n for piece in pieces for n in piece] == numbers
    assert max(map(len, pieces)) <= 9
    if sync is None:
        assert len(pieces) >= min(4 * hands, len(numbers) / 9)
    assert [k for part in cut_range(23, hands) for k in part] == list(range(23))


@pytest.mark.parametrize("gop", [1, 6, 60])
def test_a_take_read_in_pieces_counts_as_one_reader_would(gop, tmp_path, small_room):
    room = replace(small_room, bits=8, chroma="420")
    path = write_movie(room, tmp_path / "take.mp4", codec="libx264", options={"g": str(gop), "bf": "2"})
    wanted = [*range(3, 30, 4), 31, 32, 33, 50]
    with open_take(path) as whole, open_take(path) as counted:
        frames = {frame.number: whole.linear(frame) for frame in whole.read_frames(wanted)}
        before = None
        for piece in cut_frames(wanted, counted.list_sync(), 2):
            with pickle.loads(pickle.dumps(counted)) as own:
                for frame in own.read_frames(piece):
                    assert (own.linear(frame) == frames[frame.number]).all()
                again = 0 if before is None else counted.count_again(before, piece[0])
                counted.add_found(own.found(), again=again)
            before = piece[-1]
        assert (counted.decoded_count, counted.run_in_count) == (whole.decoded_count, whole.run_in_count)


def test_what_is_handed_over_is_found_from_anywhere(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    mapped = np.memmap("numbers", np.float32, "w+", shape=(4, 3))
    mapped[:] = np.arange(12).reshape(4, 3)
    mapped.flush()
    path = tmp_path / "context.job"
    write_handed(path, {"a": Path("take.mov"), "whole": mapped, "part": mapped[1:3], "f": lambda k: k + len(mapped)})
    monkeypatch.chdir("/")
    found = read_handed(path)
    assert found["a"] == tmp_path / "take.mov" and found["f"](1) == 5
    np.testing.assert_array_equal(found["whole"], mapped)
    np.testing.assert_array_equal(found["part"], mapped[1:3])
    assert isinstance(found["whole"], np.memmap) and path.stat().st_size < 4000
    with pytest.raises(UnreadableInput, match="every worker must see"):
        read_handed(tmp_path / "gone.job")


# --- what can be wrong -------------------------------------------------------------------------------


def try_to(address, folder, progress, workers=1):
    with connect(address, folder, workers=workers, progress=progress):
        pass


def test_nobody_there_is_one_line(folder, silence, monkeypatch):
    monkeypatch.setattr(cluster_job, "CONNECT_S", 0.3)
    for address in ("tcp://127.0.0.1:9", "nonsense://x", "missing.json"):
        with pytest.raises(ClusterError, match=f"--cluster {address}: no scheduler answers") as told:
            try_to(address, folder, silence)
        assert "\n" not in str(told.value)


@pytest.mark.parametrize("error", [AssertionError(), AttributeError("a"), ImportError("b\nc")])
def test_what_the_scheduler_s_own_client_trips_over_is_one_line(folder, silence, monkeypatch, error):
    # REFERENCE  distributed's LoopRunner: `assert loop is not None` where its loop has not begun within 10 s.
    import distributed

    def fail(**words):
        raise error

    monkeypatch.setattr(distributed, "Client", fail)
    with pytest.raises(ClusterError, match=r"--cluster tcp://a:1: the connection could not be begun \(.*try") as told:
        try_to("tcp://a:1", folder, silence)
    assert "\n" not in str(told.value)


@pytest.mark.slow
def test_a_scheduler_that_is_lost_on_the_way_is_one_line(folder, silence, capfd):
    def work(context, piece):
        time.sleep(0.2)
        return piece

    with start() as cluster, connect(cluster.scheduler_address, folder, progress=silence) as spread:
        found = spread.run(work, None, range(30))
        assert next(found) == 0
        spread._client.close()
        with pytest.raises(ClusterError, match=r"tcp://\S+: the scheduler was lost; start it and build again"):
            list(found)
        with pytest.raises(ClusterError, match="the scheduler was lost"):
            list(spread.run(work, None, range(30)))
    assert not capfd.readouterr().err


@pytest.mark.slow
def test_too_few_workers_are_one_line(address, folder, silence, monkeypatch):
    monkeypatch.setattr(cluster_job, "WORKERS_S", 0.2)
    with pytest.raises(ClusterError, match="2 of 9 workers came"):
        try_to(address, folder, silence, workers=9)


@pytest.mark.slow
def test_a_worker_of_another_version_or_that_sees_nothing_is_named(address, folder, silence, monkeypatch):
    own = cluster_job.describe_here()
    monkeypatch.setattr(cluster_job, "describe_here", lambda: (("lightstack", "0.0.1"), *own[1:]))
    with pytest.raises(ClusterError, match=r"worker tcp://\S+ on \S+ differs: lightstack .* there, 0\.0\.1 here"):
        try_to(address, folder, silence)
    monkeypatch.setattr(cluster_job, "describe_here", lambda: own)
    monkeypatch.setattr(cluster_job, "write_whole", lambda path, data: None)  # as if it lay on another disk
    with pytest.raises(ClusterError, match=r"worker tcp://\S+ on \S+: does not see .*out; put results"):
        try_to(address, folder, silence)


@pytest.mark.slow
def test_large_pieces_are_sent_without_a_word(address, folder, silence, recwarn):
    large = np.zeros(12_000_000, np.uint8)
    with connect(address, folder, progress=silence) as spread:
        assert list(spread.run(lambda context, piece: piece.nbytes, None, [large])) == [large.nbytes]
    assert not [str(one.message) for one in recwarn if "graph" in str(one.message)]


@pytest.mark.slow
def test_a_take_that_workers_do_not_see_is_named(address, tmp_path, silence, folder):
    path = write_movie(make_room(1, size=(72, 128), frames=4, lead=1), tmp_path / "gone.mkv")
    with open_take(path) as take, connect(address, folder, progress=silence) as spread:
        path.unlink()
        with pytest.raises(MissingInput, match=r"gone\.mkv"):
            list(spread.run(getitem, [take], [0]))


def test_without_the_extra_one_line_says_what_to_install(folder, silence, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(SettingError, match=r"pip install 'lightstack\[cluster\]'"):
        try_to("tcp://127.0.0.1:1", folder, silence)


def test_the_command_line_wins_over_the_shot_file(folder, silence, monkeypatch):
    asked = []
    monkeypatch.setattr(cluster_job, "open_client", lambda address: asked.append(address) or 1 / 0)
    for typed in (None, "tcp://b:2"):
        given = with_machines(BuildOptions(cluster=typed), folder, address="tcp://a:1", progress=silence)
        with pytest.raises(ZeroDivisionError):
            given.__enter__()
    with with_machines(BuildOptions(cluster=NONE), folder, address="tcp://a:1", progress=silence) as used:
        assert used.spread is None
    assert asked == ["tcp://a:1", "tcp://b:2"]
