"""The tracks of a hand-over's timeline: sweeps lowest, then what a composite is made of, the finished frames on top."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from fractions import Fraction

from lightstack.core.timecode import count_timecode
from lightstack.files.handover.otio import Mark, TimelineTrack
from lightstack.files.shot.schema_mix import Mix
from lightstack.jobs.handover.build import FinishedBuild, FrameSet, HeroFacts
from lightstack.jobs.handover.lights import HandedLight
from lightstack.records import BuiltSweep

__all__ = ["list_tracks", "mix_marks"]

PREVIEW = ".mp4"  # carries no timecode
# from the lowest track up; whatever else there is lies below them
ABOVE = ("background", "background_lit", "figure", "holdout", "grain", "light_screen", "light", "hero_clean", "relit")


def list_tracks(build: FinishedBuild, lights: Sequence[HandedLight], movies: Sequence[str]) -> list[TimelineTrack]:
    """Return one track for every sweep, element and movie, the lowest first.

    Notes: editors lay tracks over each other, and none of them adds light; so the finished frames lie on top and what
    they are made of lies below, to be taken from there. Sweeps are not shown: they are not part of the shot.
    """
    hero = build.hero
    assert hero is not None and hero.rate is not None
    marks = tuple(mark for light in lights for mark in mix_marks(light, hero.frames))
    sequences = sorted(build.sequences, key=lambda one: ABOVE.index(one.element) if one.element in ABOVE else -1)
    marked = next((name for name in ("light", "light_screen", "relit", "hero_clean")
                   if name in [one.element for one in sequences]), None)  # fmt: skip
    tracks = [sweep_track(sweep, hero) for sweep in build.sweeps]
    shot_marks = marks if marked is None else ()
    tracks.append(hero_track(build, hero, shot_marks))
    tracks += [element_track(one, hero, marks if one.element == marked else ()) for one in sequences]
    tracks += [movie_track(build, hero, name) for name in sorted(movies, key=lambda name: "_relit" in name)]
    return [track for track in tracks if track is not None]


def sweep_track(sweep: BuiltSweep, hero: HeroFacts) -> TimelineTrack | None:
    """Return a sweep's own footage, which is not handed over, its key frames marked and its stills beside it."""
    table, name = sweep.report.table, sweep.report.name
    take = json.loads(sweep.take)
    # a sweep is used as recorded, whatever the shot's rate
    rate = hero.rate if take.get("rate") is None else Fraction(take["rate"])
    assert rate is not None
    have = (int(table.source_frames[0]), int(table.source_frames[-1]))
    keys = sorted(sweep.report.keys, key=lambda key: key.source_frame)
    if not keys:
        return None
    held = (keys[0].source_frame, keys[-1].source_frame)
    stills = TimelineTrack(name, "stills", f"{name}.", held, held, rate, gaps=True)
    marks = tuple(Mark(key.source_frame, f"key frame {key.source_frame}, chosen as {key.rank}", "YELLOW")
                  for key in keys)  # fmt: skip
    files = ", ".join(file["path"].rsplit("/", 1)[-1] for file in take.get("files", ()))
    facts = {"what": "the sweep; frames are source frames, as recorded", "take": name, "file": files}
    return TimelineTrack(
        f"sweep {name}", "", "", have, have, rate, shown=False, marks=marks, facts=facts, stills=stills
    )


def hero_track(build: FinishedBuild, hero: HeroFacts, marks: tuple[Mark, ...]) -> TimelineTrack:
    """Return the hero's own footage, which is not handed over."""
    assert hero.rate is not None
    facts = {"what": "the hero as filmed; frames are shot frames", "file": hero.file}
    facts |= {} if hero.timecode is None else {"timecode of the first frame": hero.timecode}
    return TimelineTrack("hero", "", "", hero.frames, hero.cut, hero.rate, shown=False, marks=marks, facts=facts)


def element_track(frames: FrameSet, hero: HeroFacts, marks: tuple[Mark, ...]) -> TimelineTrack | None:
    """Return an element's numbered pictures; None where none of them lies in the cut."""
    assert hero.rate is not None
    first, last = frames.frames
    cut = (max(first, hero.cut[0]), min(last, hero.cut[1]))
    if cut[0] > cut[1]:
        return None
    gaps = len(frames.names) < last - first + 1
    facts = {"what": frames.what}
    marks = tuple(mark for mark in marks if first <= mark.frame <= last)
    return TimelineTrack(
        frames.element, f"elements/{frames.element}", f"{frames.stem}.", (first, last), cut, hero.rate,
        at=cut[0] - hero.cut[0], gaps=gaps, marks=marks, facts=facts,
    )  # fmt: skip


def movie_track(build: FinishedBuild, hero: HeroFacts, name: str) -> TimelineTrack:
    """Return a movie of the shot; it holds the frames that were built, counted by its timecode, else from 0."""
    assert hero.rate is not None
    what = build.outputs[name.removeprefix("movies/")][0]
    untimed = name.endswith(PREVIEW) or hero.timecode is None
    start = 0 if untimed else count_timecode(hero.timecode or "", hero.rate) or 0
    (first, last), (begin, end) = hero.frames, hero.cut
    have, cut = (start, start + last - first), (start + begin - first, start + end - first)
    return TimelineTrack(name.split("/")[-1], name, "", have, cut, hero.rate, facts={"what": what})


def mix_marks(light: HandedLight, frames: tuple[int, int]) -> Iterator[Mark]:
    """Yield a mark at every point of a light's mix that lies in the shot."""
    for frame in sorted(set(mix_frames(light.settings.mix, frames[1]))):
        if frames[0] <= frame <= frames[1]:
            yield Mark(frame, f"{light.settings.name}: gain {light.mix.gain_at(frame):.4g}", "GREEN")


def mix_frames(mix: Mix, last: int) -> Iterator[int]:
    """Yield the frames at which a mix was given: its points, or the corners of its envelope, as often as it comes."""
    yield from (point.frame for point in mix.points or ())
    envelope = mix.envelope
    if envelope is None:
        return
    lengths = (0, envelope.attack, envelope.hold, envelope.decay, envelope.stay, envelope.release)
    begin, run = envelope.start, 0
    while begin <= last and run < (envelope.times or (1 if envelope.every is None else last)):
        frame = begin
        for length in lengths:
            frame += length
            yield frame
        begin, run = begin + (envelope.every or 0), run + 1
