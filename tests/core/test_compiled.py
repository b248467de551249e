"""Compiled loops run whether or not their code can be kept."""

import numpy as np

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
