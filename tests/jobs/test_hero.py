"""The hero: which frames there are, which one is the origin, and where it moved."""


from dataclasses import replace

import numpy as np
import pytest
from jobs_helpers import PictureTake, fit, noisy

from lightstack.errors import SettingError
from lightstack.files.folder import claim_folder
from lightstack.files.kept.identity import StageBook
from lightstack.files.shot.schema import ShotSettings, TakeSettings
from lightstack.files.shot.schema_takes import Takes
from lightstack.jobs.stage.hero import HeroPart, look_at_hero, pick_origin_frames, shot_range, source_reference
from lightstack.jobs.stage.standing import describe_reading
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import Registration, Stretch


def shot(**keys):
    hero = TakeSettings(path=("hero.mov",))
    return ShotSettings.model_validate({"shot": keys, "takes": Takes(hero=hero)})


def take(count=30, first=1):
    return PictureTake([np.zeros((8, 12, 3), np.float32)] * count, first=first, split=10)


def test_without_frames_the_whole_hero_is_built():
    assert shot_range(shot(), take()) == (1001, 1030)
    assert shot_range(shot(first_frame=1), take(first=86400)) == (1, 30)


def test_handles_are_added_and_must_be_there():
    assert shot_range(shot(frames=(1010, 1020), handles=4), take()) == (1006, 1024)
    with pytest.raises(SettingError, match=r"lacks shot frames 999-1000, 1031-1032"):
        shot_range(shot(frames=(1003, 1028), handles=4), take())


def test_frames_outside_the_range_in_use_are_not_there():
    # Source frames are counted from the movie's first decoded frame, never from the trim.
    assert shot_range(shot(), take(), (5, 20)) == (1005, 1020)
    assert shot_range(shot(), take(), ("2:1", "2:5")) == (1011, 1015)
    with pytest.raises(SettingError, match="lacks shot frames 1002-1004"):
        shot_range(shot(frames=(1002, 1010)), take(), (5, 20))


def test_shot_and_source_frames_differ_by_a_constant():
    assert source_reference(shot(), take(), 1001) == 1
    assert source_reference(shot(reference=1012), take(first=500), 1001) == 511
    with pytest.raises(SettingError, match="1031"):
        source_reference(shot(reference=1031), take(), 1001)


def test_the_origin_is_a_mean_of_frames_of_the_references_own_pose():
    stretches = (Stretch(1, 20, np.eye(3), True, 0, 0.01, 20), Stretch(21, 60, np.eye(3), False, 2, 0.01, 40))
    registration = Registration("hero", "translation", stretches)

    class Frames:
        source_frames = np.arange(1, 61)

    assert pick_origin_frames(Frames, registration, 3) == list(range(20))
    picked = pick_origin_frames(Frames, registration, 40)
    assert len(picked) == 24 and 39 in picked and all(20 <= k < 60 for k in picked)


@pytest.fixture
def bumped():
    """Sixteen frames of a textured room, seen 3 px further right from the eleventh on."""
    import cv2

    wide = cv2.GaussianBlur(np.random.default_rng(4).random((120, 200, 3)).astype(np.float32), (0, 0), 1.5)
    wide = np.clip(0.3 + 3 * (wide - wide.mean()), 0.02, 0.9)
    still, moved = wide[10:106, 20:180], wide[10:106, 17:177]
    return noisy(still, 10) + noisy(moved, 6, seed=9)


def test_a_bump_of_the_hero_is_found_and_recalled_unread(bumped, tmp_path, silence):
    movie = tmp_path / "hero.mov"
    movie.write_bytes(b"stands for the movie's bytes")
    fitted = fit(bumped, name="hero")
    hero = HeroPart(fitted, TakeSettings(path=("hero.mov",)), (movie,), (1001, 1016), 1, "bt709")
    folder = claim_folder(tmp_path / "out")
    book = StageBook(folder)
    look = look_at_hero(hero, folder, book, BuildOptions(), force=False, progress=silence)
    poses = [look.registration.stretch_at(number) for number in range(1, 17)]
    assert [pose.identity for pose in poses] == [True] * 10 + [False] * 6
    # REFERENCE  the shift by construction.  TOLERANCE  0.05 px (the aim for registration).
    np.testing.assert_allclose(poses[-1].matrix[:2, 2], [3, 0], atol=0.05)
    assert look.origin.size == (96, 160) and look.origin.frames == 10

    def refuse(*_):
        raise AssertionError("the hero was read again")

    blind = replace(hero, fitted=replace(fitted, take=fitted.take))
    blind.fitted.take.frames = refuse
    again = look_at_hero(blind, folder, StageBook(folder), BuildOptions(), force=False, progress=silence)
    np.testing.assert_array_equal(again.origin.picture, look.origin.picture)
    np.testing.assert_array_equal(again.registration.stretches[-1].matrix, look.registration.stretches[-1].matrix)
    with pytest.raises(AssertionError):
        look_at_hero(blind, folder, book, BuildOptions(keep_readable=True), force=False, progress=silence)


def test_what_changes_the_reading_is_part_of_every_identity(monkeypatch):
    plain = describe_reading(BuildOptions())
    assert plain != describe_reading(BuildOptions(keep_readable=True))
    assert plain == describe_reading(BuildOptions(threads=3, verify=True, force=True))
    monkeypatch.setenv("OCIO", "ocio://cg-config-v1.0.0_aces-v1.3_ocio-v2.1")
    assert plain != describe_reading(BuildOptions())
