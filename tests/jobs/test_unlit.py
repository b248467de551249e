"""Unlit frames are found whatever primaries the shot works in; wrongly named ones are doubted."""

from dataclasses import replace

import numpy as np
import pytest
from jobs_helpers import fit
from made import write_movie

from lightstack.files.shot.schema import TakeSettings
from lightstack.jobs.takes.footage import open_fitted
from lightstack.jobs.takes.look import survey_with_noise
from lightstack.jobs.takes.options import BuildOptions
from lightstack.jobs.takes.unlit import doubt_primaries, find_unlit


@pytest.fixture(scope="module")
def log_sweep(small_room, tmp_path_factory):
    return write_movie(replace(small_room, curve="slog3"), tmp_path_factory.mktemp("log") / "log.mkv")


@pytest.mark.parametrize("colour", ["slog3/bt709", "slog3", "slog3/awg4", "clog2"])
def test_a_saturated_lamp_in_narrow_primaries_is_not_darkness(log_sweep, small_room, tmp_path, silence, colour):
    settings = TakeSettings(path=(str(log_sweep),), colour=colour)
    with open_fitted(settings, [log_sweep], name="log", size=None, working="bt709", options=BuildOptions()) as fitted:
        proxies = survey_with_noise(fitted, settings, tmp_path, progress=silence)
        unlit = find_unlit(proxies, fitted, None)
        doubt = doubt_primaries(proxies, fitted)
    assert unlit.sum() >= 5 and np.mean(unlit == ~small_room.lamp_on) > 0.95
    assert (doubt == "") == (colour == "slog3/bt709")
    if doubt:
        assert "check `colour`" in doubt and colour.split("/")[0] in doubt


def test_a_take_in_its_own_primaries_is_judged_as_it_is(tmp_path, silence):
    rng = np.random.default_rng(1)
    pictures = [(0.05 + 0.3 * (k > 5) + 0.002 * rng.standard_normal((40, 60, 3))).astype(np.float32) for k in range(16)]
    fitted = fit(pictures)
    proxies = survey_with_noise(fitted, TakeSettings(path=("a",)), tmp_path, progress=silence)
    assert find_unlit(proxies, fitted, None).tolist() == [k <= 5 for k in range(16)]
    assert doubt_primaries(proxies, fitted) == ""
