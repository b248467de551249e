"""What the hero's survey left behind is used, or not believed."""

import numpy as np
import pytest
from made.movies import write_movie

from lightstack.files.folder import claim_folder
from lightstack.files.kept.identity import StageBook
from lightstack.files.shot.shotfile import parse_shot
from lightstack.jobs.patch.survey import recall_survey, survey_patched
from lightstack.jobs.stage.hero import look_at_hero, open_hero
from lightstack.jobs.takes.options import BuildOptions


@pytest.fixture(scope="module")
def looked(small_room, tmp_path_factory, unwatched):
    folder = tmp_path_factory.mktemp("hero")
    write_movie(small_room, folder / "hero.mkv", frames=range(12))
    settings = parse_shot('[takes.hero]\npath = "hero.mkv"\n[[sweep]]\npath = "s.mov"', folder / "shot.toml")
    out = claim_folder(folder / "out")
    with open_hero(settings, BuildOptions()) as hero:
        seen = look_at_hero(hero, out, StageBook(out), BuildOptions(), force=False, progress=unwatched)
        yield hero, seen, out


def test_the_survey_is_used_again(looked, unwatched, monkeypatch):
    hero, seen, out = looked
    monkeypatch.setattr("lightstack.jobs.patch.survey.survey_take", lambda *_, **__: pytest.fail("decoded again"))
    frames = survey_patched(out, hero, seen, [], offset=1000, progress=unwatched)
    assert len(frames.proxies) == 12 and frames.index_of(1003) == 2 and frames.index_of(999) is None
    _, good = frames.frame(2)
    # REFERENCE  the frame itself, box-averaged by the same factor.
    frame = next(iter(hero.take.read_frames([3])))
    np.testing.assert_allclose(frames.proxies.rgb[2], hero.fitted.proxy(frame, 1)[0], rtol=1e-3, atol=1e-4)
    assert good.mean() > 0.9 and np.all(frames.proxies.noise_proxy.b > 0)


def test_files_of_another_hero_are_not_believed(looked, tmp_path):
    hero, seen, out = looked
    scratch = out.scratch_folder("hero")
    assert recall_survey(hero, seen, tmp_path) is None
    for name in ("hero.rgb", "hero.clipped"):
        (tmp_path / name).write_bytes((scratch / name).read_bytes())
    assert recall_survey(hero, seen, tmp_path) is not None
    other = np.fromfile(scratch / "hero.rgb", np.float16) * np.float16(0.5)
    (tmp_path / "hero.rgb").write_bytes(other.tobytes())
    assert recall_survey(hero, seen, tmp_path) is None
    (tmp_path / "hero.rgb").write_bytes(other.tobytes()[:-6])
    assert recall_survey(hero, seen, tmp_path) is None
