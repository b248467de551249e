import os

import pytest

from lightstack.files import processors


@pytest.mark.parametrize(
    ("text", "count"), [("200000 100000\n", 2), ("150000 100000\n", 2), ("1000 100000\n", 1), ("max 100000\n", None)]
)
def test_a_share_of_time_counts_as_so_many_processors(tmp_path, text, count):
    # REFERENCE  Linux kernel documentation, "Control Group v2": cpu.max holds "$MAX $PERIOD", in microseconds.
    path = tmp_path / "cpu.max"
    path.write_text(text)
    assert processors.read_share(path) == count


@pytest.mark.parametrize("text", ["", "1 0\n", "nonsense\n"])
def test_what_cannot_be_read_is_no_limit(tmp_path, text):
    path = tmp_path / "cpu.max"
    path.write_text(text)
    assert processors.read_share(path) is None
    assert processors.read_share(tmp_path / "missing") is None


@pytest.mark.skipif(not hasattr(os, "sched_getaffinity"), reason="this system does not bind processes to cores")
def test_a_process_that_is_bound_to_few_cores_uses_no_more(monkeypatch, tmp_path):
    monkeypatch.setattr(os, "sched_getaffinity", lambda pid: {3, 7})
    monkeypatch.setattr(processors, "SHARE_FILE", tmp_path / "missing")
    assert processors.usable_processors.__wrapped__() == 2
    (tmp_path / "share").write_text("100000 100000")
    monkeypatch.setattr(processors, "SHARE_FILE", tmp_path / "share")
    assert processors.usable_processors.__wrapped__() == 1
