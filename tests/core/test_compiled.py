"""Compiled loops run whether or not their code can be kept."""

import numpy as np
import pytest

from lightstack.core import compiled


def test_a_loop_runs_where_no_folder_can_be_written(monkeypatch):
    real = compiled.njit

    def refuse_to_keep(**options):
        if options.get("cache"):
            raise RuntimeError("cannot cache function: no locator available")
        return real(**options)

    monkeypatch.setattr(compiled, "njit", refuse_to_keep)

    @compiled.compile_loop()
    def add_up(values):
        total = 0.0
        for value in values:
            total += value
        return total

    assert add_up(np.arange(5.0)) == 10.0


def test_bands_cover_every_row_once(monkeypatch):
    monkeypatch.setattr(compiled, "LEAST_VALUES_PER_BAND", 10)
    monkeypatch.setattr(compiled.numba.config, "NUMBA_NUM_THREADS", 3)

    def count_rows(first, last, counts):
        counts[first:last] += 1

    for rows in (0, 1, 2, 3, 7, 100):
        counts = np.zeros(rows, int)
        compiled.run_bands(count_rows, rows, 20, counts)
        assert (counts == 1).all()


def test_an_error_in_a_band_is_raised(monkeypatch):
    monkeypatch.setattr(compiled, "LEAST_VALUES_PER_BAND", 1)
    monkeypatch.setattr(compiled.numba.config, "NUMBA_NUM_THREADS", 2)

    def fail_late(first, last):
        if first > 0:
            raise ValueError("second band")

    with pytest.raises(ValueError, match="second band"):
        compiled.run_bands(fail_late, 10, 10)
