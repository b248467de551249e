"""How many frames are made at a time."""

import os

import pytest

from lightstack.jobs.takes import memory
from lightstack.jobs.takes.memory import MOST_FRAMES, own_budget, plan_frame_workers
from lightstack.jobs.takes.options import BuildOptions

UHD = (2160, 3840)
GIB = 2**30


@pytest.fixture
def machine(monkeypatch):
    """A machine of 64 processors and as much memory as is asked for."""

    def make(gib):
        monkeypatch.setattr(memory, "usable_processors", lambda: 64)
        pages = {"SC_PHYS_PAGES": gib * GIB // 4096, "SC_PAGE_SIZE": 4096}
        monkeypatch.setattr(os, "sysconf", lambda name: pages[name], raising=False)

    return make


def test_without_a_budget_half_of_the_machines_memory_is_one(machine):
    machine(512)
    assert plan_frame_workers(UHD, BuildOptions()) == MOST_FRAMES
    machine(8)
    assert own_budget() == 4 * GIB
    assert plan_frame_workers(UHD, BuildOptions()) == plan_frame_workers(UHD, BuildOptions(memory_bytes=4 * GIB)) < 8
    machine(1)
    assert plan_frame_workers(UHD, BuildOptions()) == 1


def test_threads_that_were_asked_for_are_taken_as_far_as_memory_goes(machine):
    machine(512)
    assert plan_frame_workers(UHD, BuildOptions(threads=20)) == 20
    machine(8)
    assert plan_frame_workers(UHD, BuildOptions(threads=20)) < 8


def test_a_system_that_does_not_tell_its_memory_is_given_some(monkeypatch):
    monkeypatch.delattr(os, "sysconf", raising=False)
    assert own_budget() == 4 * GIB
