"""The text of a newly started shot file."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from lightstack import __version__
from lightstack.core.check.casting import Cast, Part
from lightstack.files.shot.shotfile import clean_name

__all__ = ["Fade", "Opened", "plan_fade", "write_shot_text"]

FIRST_FRAME = 1001
WIDTH = 100
NO_HERO = "No take looks like a hero. Without one only plates are made; name it like this:"
NO_SWEEP = "No take looks like a lamp carried round the room. Name it like this:"


@dataclass(frozen=True, slots=True)
class Opened:
    """What a take said of itself. ``shape`` (W, H); ``rate`` None where there is none (stills)."""

    name: str
    frame_count: int
    shape: tuple[int, int]
    rate: Fraction | None
    assumed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Fade:
    """A first envelope, shot frames."""

    start: int
    attack: int
    hold: int
    decay: int


def plan_fade(frame_count: int) -> Fade:
    """Put a rise and fall in the middle of a hero of so many frames, so that both ends stay dark."""
    start = FIRST_FRAME + round(0.2 * (frame_count - 1))
    return Fade(start, *(max(1, round(share * frame_count)) for share in (0.2, 0.15, 0.25)))


def write_shot_text(folder: Path, cast: Cast, takes: Sequence[Opened], failures: Sequence[str]) -> str:
    """Write a shot file with the reason of each guess above it."""
    by_name = {take.name: take for take in takes}
    hero = next(iter(cast.find("hero")), None)
    hero_take = by_name[hero.takes[0]] if hero else None
    blocks = [_write_head(), _write_shot(folder, hero_take)]
    for role in ("hero", "empty", "empty_lit"):
        blocks += [_write_take(role, part, by_name) for part in cast.find(role)]
    if not hero:
        blocks.append(_comment(NO_HERO) + '# [takes.hero]\n# path = "hero.mov"\n')
    blocks += _write_sweeps(cast.find("sweep"), by_name)
    if hero_take:
        blocks += _write_lights(cast.find("sweep"), plan_fade(hero_take.frame_count))
        blocks.append(_write_preview(plan_fade(hero_take.frame_count), hero_take.frame_count))
    left_out = [f"{part.takes[0]}: {part.reason}" for part in cast.find("")]
    left_out += [f"{failure}" for failure in failures]
    if left_out:
        blocks.append(_comment("Not used:") + "".join(_comment(f"  {line}") for line in left_out))
    return "\n".join(blocks)


def _write_head() -> str:
    return _comment(
        f"Started by lightstack {__version__}. Everything below is a guess from looking at the footage; the "
        "reason stands above each. Read it through, put right what is wrong, then build. The README lists "
        "every key; paths are relative to this file, ranges are inclusive."
    )


def _write_shot(folder: Path, hero: Opened | None) -> str:
    lines = ["[shot]", f"name = {_quote(clean_name(folder.resolve().name))}"]
    lines.append(f"first_frame = {FIRST_FRAME}  # number of the hero's first frame")
    if hero:
        last = FIRST_FRAME + hero.frame_count - 1
        lines.append(f"# frames = [{FIRST_FRAME}, {last}]  # the whole hero; give a shorter range to work faster")
        if hero.rate is None:
            lines.append("rate = 24  # stills carry no frame rate, so this is a mere guess")
    lines.append('out = "out"')
    return "\n".join(lines) + "\n"


def _write_take(role: str, part: Part, by_name: dict[str, Opened]) -> str:
    return _write_reason(part, by_name) + f"[takes.{role}]\npath = {_quote(part.takes[0])}\n"


def _write_reason(part: Part, by_name: dict[str, Opened]) -> str:
    """Say why, and what had to be assumed of the footage's encoding."""
    lines = _comment(f"{part.reason[:1].upper()}{part.reason[1:]}.")
    assumed = dict.fromkeys(sentence for name in part.takes for sentence in by_name[name].assumed)
    return lines + "".join(_comment(f"Assumed: {sentence}") for sentence in assumed)


def _write_sweeps(parts: Sequence[Part], by_name: dict[str, Opened]) -> list[str]:
    if not parts:
        return [_comment(NO_SWEEP) + '# [[sweep]]\n# path = "sweep.mov"\n']
    blocks = []
    for number, part in enumerate(parts, start=1):
        paths = [_quote(name) for name in part.takes]
        path = paths[0] if len(paths) == 1 else f"[{', '.join(paths)}]"
        lines = ["[[sweep]]", f"name = {_quote(_name_sweep(number))}", f"path = {path}"]
        lines += [
            "# coverage = 0.995      # choose fewer key frames with a smaller share",
            "# exclude = [[1, 20]]   # frames never to use",
        ]
        blocks.append(_write_reason(part, by_name) + "\n".join(lines) + "\n")
    return blocks


def _name_sweep(number: int) -> str:
    return "sweep" if number == 1 else f"sweep_{number}"


def _write_lights(parts: Sequence[Part], fade: Fade) -> list[str]:
    blocks = []
    for number, _ in enumerate(parts, start=1):
        lines = [
            "[[light]]",
            f"from = {_quote(_name_sweep(number))}",
            "# gel = [1.0, 1.0, 1.0]  # colour laid over the light",
            "",
            "[light.mix]",
            f"envelope = {{ start = {fade.start}, attack = {fade.attack}, hold = {fade.hold}, "
            f"decay = {fade.decay}, peak = 1.0 }}",
            "# shutter = 180           # each frame takes the mean over the open shutter",
            "# response = { rise = 0.08, fall = 0.2 }  # a filament takes time, in seconds; a diode none",
            "# [[light.mix.flicker]]   # also [[light.mix.pulse]], [[light.mix.follow]]; `lightstack curve` draws it",
            '# like = "candle"',
        ]
        why = "A first fade in the middle of the hero, so that the first build shows something."
        blocks.append(_comment(why) + "\n".join(lines) + "\n")
    return blocks


def _write_preview(fade: Fade, frame_count: int) -> str:
    top = fade.start + fade.attack
    last = FIRST_FRAME + frame_count - 1
    wanted = (FIRST_FRAME, fade.start + fade.attack // 2, top, top + fade.hold, last)
    frames = sorted({min(frame, last) for frame in wanted})
    return f"[preview]\nframes = {frames}  # before and after on the contact sheet\n"


def _comment(text: str) -> str:
    # A file name may hold anything; a comment may hold no control characters.
    clean = "".join(letter if letter.isprintable() else "?" for letter in text)
    indent = "#   " if clean.startswith("  ") else "# "
    lines = textwrap.wrap(clean, WIDTH, initial_indent=indent, subsequent_indent="#   " if indent == "#   " else "# ")
    return "".join(f"{line}\n" for line in lines)


def _quote(text: str) -> str:
    """Write a TOML string."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
