"""The side of the workers, without a scheduler: a piece ends when its job does, and two of one file do not meet."""

import asyncio
import pickle
import threading
import time
from concurrent.futures import ThreadPoolExecutor

import pytest

from lightstack.files.called_off import CalledOff, go_on
from lightstack.files.folder import replaced_whole, write_whole
from lightstack.files.kept.handed import write_handed
from lightstack.jobs.spread import worker
from lightstack.jobs.spread.worker import Handed, describe_here, forget, run_piece


def hand(path, work, context=None):
    write_handed(path, (work, context))
    return Handed(str(path), describe_here())


def pack(piece):
    return pickle.dumps(piece)


def test_pieces_that_write_the_same_file_at_the_same_time_do_not_meet(tmp_path):
    path, meet = tmp_path / "a.exr", threading.Barrier(2)

    def write(context, piece):
        with replaced_whole(path) as part:
            part.write_bytes(piece)
            meet.wait(30)
            return part.read_bytes()

    pieces = (b"one", b"two")
    job = hand(tmp_path / "j.job", lambda context, piece: None)
    worker._known[job.path] = (write, None)  # a barrier cannot be pickled
    with ThreadPoolExecutor(2) as pool:
        found = list(pool.map(lambda piece: run_piece(job, pack(piece)), pieces))
    assert tuple(found) == pieces and path.read_bytes() in pieces
    assert sorted(one.name for one in tmp_path.iterdir()) == ["a.exr", "j.job"]
    asyncio.run(forget(job.path))


def test_a_piece_whose_job_has_ended_stops_and_leaves_nothing_half_written(tmp_path):
    path, begun = tmp_path / "a.exr", tmp_path / "begun"

    def write(context, piece):
        with replaced_whole(path) as part:
            part.write_bytes(b"half")
            write_whole(begun, b"")
            while True:
                go_on()  # as every frame that is read does
                time.sleep(0.01)

    ours, other = hand(tmp_path / "j.job", write), hand(tmp_path / "k.job", lambda context, piece: time.sleep(0.5))
    with ThreadPoolExecutor(2) as pool:
        stopped, goes_on = pool.submit(run_piece, ours, pack(1)), pool.submit(run_piece, other, pack(1))
        while not begun.exists():
            time.sleep(0.01)
        assert asyncio.run(forget(ours.path)) == 0
        with pytest.raises(CalledOff):
            stopped.result(30)
        assert goes_on.result(30) is None
        assert pool.submit(divmod, 7, 2).result(30) == (3, 1)  # its thread goes on
    assert sorted(one.name for one in tmp_path.iterdir()) == ["begun", "j.job", "k.job"]
    assert not worker._at_work and not worker._ended


def test_a_piece_that_does_not_ask_is_waited_for_a_while_only(tmp_path, monkeypatch):
    monkeypatch.setattr(worker, "END_S", 0.1)
    begun = tmp_path / "begun"

    def sit(context, piece):
        begun.touch()
        try:
            time.sleep(0.6)  # one step
            go_on()
        finally:
            begun.unlink()

    job = hand(tmp_path / "j.job", sit)
    with ThreadPoolExecutor(1) as pool:
        done = pool.submit(run_piece, job, pack(1))
        while not begun.exists():
            time.sleep(0.01)
        assert asyncio.run(forget(job.path)) == 1
        with pytest.raises(CalledOff):
            done.result(30)
    assert not begun.exists() and asyncio.run(forget(job.path)) == 0
