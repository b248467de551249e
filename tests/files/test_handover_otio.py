"""The timeline, read back by the library that others read it with."""

from dataclasses import replace
from fractions import Fraction

import pytest

from lightstack.files.handover.otio import Mark, TimelineTrack, find_missing_media, write_timeline

otio = pytest.importorskip("opentimelineio")
RATE = Fraction(24000, 1001)
FRAMES = TimelineTrack("relit", "elements/relit", "a_relit_v001.", (1001, 1006), (1002, 1005), RATE,
                       marks=(Mark(1004, "wisp: gain 0.6"),), facts={"what": "finished"})  # fmt: skip


def write(folder, *tracks, timecode=None):
    path = folder / "shot.otio"
    write_timeline(path, "attic", list(tracks), rate=RATE, timecode=timecode, facts={"frames": "1001-1006"})
    return path, otio.adapters.read_from_file(str(path))


def test_a_round_trip_changes_nothing(tmp_path):
    path, timeline = write(tmp_path, FRAMES)
    assert timeline.to_json_string(indent=2) + "\n" == path.read_text()
    assert timeline.metadata["lightstack"] == {"frames": "1001-1006", "rate": "24000/1001"}


def test_pictures_are_counted_in_shot_frames_with_handles(tmp_path):
    clip = write(tmp_path, FRAMES)[1].find_clips()[0]
    time, span = otio.opentime.RationalTime, otio.opentime.TimeRange
    assert clip.source_range == span(time(1002, float(RATE)), time(4, float(RATE)))
    media = clip.media_reference
    assert media.available_range == span(time(1001, float(RATE)), time(6, float(RATE)))
    assert media.number_of_images_in_sequence() == 6 and media.end_frame() == 1006
    assert media.target_url_for_image_number(5) == "elements/relit/a_relit_v001.1006.exr"
    assert [mark.marked_range.start_time.value for mark in clip.markers] == [1004]
    assert clip.markers[0].name == "wisp: gain 0.6"


def test_what_begins_later_stands_behind_a_gap(tmp_path):
    late = replace(FRAMES, name="hat", have=(1004, 1008), cut=(1004, 1005), at=2)
    timeline = write(tmp_path, FRAMES, late)[1]
    gap, clip = timeline.tracks[1]
    assert isinstance(gap, otio.schema.Gap) and gap.duration().value == 2
    assert clip.range_in_parent().end_time_exclusive() == timeline.tracks[0].available_range().end_time_exclusive()


def test_footage_that_is_not_there_is_named_only_and_stills_lie_beside_it(tmp_path):
    stills = TimelineTrack("violet", "stills", "violet.", (9, 30), (9, 30), Fraction(25), gaps=True)
    sweep = TimelineTrack("sweep violet", "", "", (1, 40), (1, 40), Fraction(25), shown=False, stills=stills)
    path, timeline = write(tmp_path, sweep)
    clip = timeline.find_clips()[0]
    assert timeline.tracks[0].enabled is False and isinstance(clip.media_reference, otio.schema.MissingReference)
    beside = clip.media_references()["stills"]
    assert beside.target_url_for_image_number(0) == "stills/violet.0009.exr" and beside.rate == 25
    assert beside.missing_frame_policy == otio.schema.ImageSequenceReference.MissingFramePolicy.hold
    assert find_missing_media(path) == []


def test_missing_pictures_and_movies_are_found(tmp_path):
    movie = TimelineTrack("relit.mov", "movies/relit.mov", "", (0, 5), (1, 4), RATE)
    path, timeline = write(tmp_path, FRAMES, movie, timecode="01:00:00:00")
    assert isinstance(timeline.find_clips()[1].media_reference, otio.schema.ExternalReference)
    # REFERENCE  an hour of non-drop timecode at 24 counts is 86,400 frames (SMPTE ST 12-1).
    assert timeline.global_start_time == otio.opentime.RationalTime(86400, float(RATE))
    (tmp_path / "elements/relit").mkdir(parents=True)
    for frame in (1001, 1002, 1003, 1005, 1006):
        (tmp_path / f"elements/relit/a_relit_v001.{frame}.exr").touch()
    assert find_missing_media(path) == ["elements/relit/a_relit_v001.1004.exr", "movies/relit.mov"]


DAMAGE = {
    "cut": lambda text: text[: len(text) // 2],
    "a key lost": lambda text: text.replace('"name_suffix"', '"nme_suffix"'),
    "another thing": lambda text: '{"OTIO_SCHEMA": "Clip.2"}',
    "no letters": lambda text: "\udcff" + text,
    "nested without end": lambda text: '{"a":' * 100_000,
    "a kind that is none": lambda text: text.replace("ImageSequenceReference.1", "Surely.1"),
    "no time": lambda text: text.replace('"rate": 23.976', '"rate": 0.000'),
}


@pytest.mark.parametrize("how", DAMAGE)
def test_a_damaged_timeline_is_told_and_none_is_read_without_end(tmp_path, how):
    path, _ = write(tmp_path, FRAMES)
    path.write_bytes(DAMAGE[how](path.read_text()).encode(errors="surrogateescape"))
    try:
        missing = find_missing_media(path)
    except OSError as error:
        assert "shot.otio cannot be read back" in str(error) or "holds no timeline" in str(error)
    else:
        assert how in ("a kind that is none", "no time") and len(missing) < 100


def test_a_timeline_that_claims_very_many_pictures_is_not_counted_through(tmp_path):
    path, _ = write(tmp_path, replace(FRAMES, have=(1001, 2_000_000_000)))
    assert len(find_missing_media(path)) == 100
