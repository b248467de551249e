"""A page never works beside a build, never twice at the same thing, and sees that something was built."""

import threading

import pytest

from lightstack.files.folder import claim_folder
from lightstack.files.folder_lock import folder_is_busy, held_folder
from lightstack.files.kept.identity import StageBook
from lightstack.jobs.review.hero import NotYet
from lightstack.jobs.review.hold import Flights, PageHold, StaleShot
from lightstack.jobs.review.open import see_built


@pytest.fixture
def folder(tmp_path):
    made = claim_folder(tmp_path / "out")
    record(made, "sweep lamp", 1)
    return made


def record(folder, stage, value):
    """What a build elsewhere does."""
    (folder.path / "a.exr").write_bytes(b"x" * value)
    StageBook(folder).record(stage, {"value": value}, ["a.exr"])


def open_hold(folder):
    book = StageBook(folder)
    return PageHold(book, see_built(book)), book


def test_what_a_page_makes_is_no_build(folder):
    hold, book = open_hold(folder)
    with hold.work():
        book.record("lamp places lamp", {}, [])
        with hold.work():
            book.record("follow 12", {}, [])
    assert not hold.is_anew()
    hold.check_steady()


def test_a_build_elsewhere_is_noticed_when_it_has_ended(folder):
    hold, _ = open_hold(folder)
    with held_folder(folder.scratch, "work"):
        assert hold.is_building()
        record(folder, "sweep lamp", 2)
        assert not hold.is_anew()  # it may still be at it
        for asked in (hold.check_steady, lambda: hold.work().__enter__()):
            with pytest.raises(NotYet, match="a build is at work"):
                asked()
    assert hold.is_anew()
    with pytest.raises(StaleShot, match="built anew: load this page again"):
        hold.check_steady()
    with pytest.raises(StaleShot), hold.work():
        pass
    assert not folder_is_busy(folder.scratch)
    hold.keep_on()
    assert not hold.is_anew()


def test_what_a_build_recorded_meanwhile_is_not_lost(folder):
    hold, book = open_hold(folder)
    record(folder, "frames", 3)
    with hold.work():
        book.record("lamp places lamp", {}, [])
    assert set(StageBook(folder)._stages) == {"sweep lamp", "frames", "lamp places lamp"}


def test_a_page_holds_its_folder_as_long_as_any_of_its_work_lasts(folder):
    hold, _ = open_hold(folder)
    with hold.work():
        with hold.work():
            pass
        assert folder_is_busy(folder.scratch)
        assert not hold.is_building()  # that is the page itself
    assert not folder_is_busy(folder.scratch)


def test_one_at_a_time_of_each_kind():
    flights, order, inside = Flights(), [], threading.Event()
    let_go = threading.Event()

    def fly(*names, wait=None):
        with flights.of(*names):
            order.append(names)
            inside.set()
            if wait is not None:
                wait.wait(10)

    first = threading.Thread(target=fly, args=("a", "b"), kwargs={"wait": let_go})
    first.start()
    inside.wait(10)
    second = threading.Thread(target=fly, args=("b", "a"))
    second.start()
    fly("c")  # another kind goes on
    assert order == [("a", "b"), ("c",)]
    let_go.set()
    first.join(10)
    second.join(10)
    assert order[-1] == ("b", "a") and not flights._locks
