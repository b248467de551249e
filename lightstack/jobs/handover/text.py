"""What a hand-over says in plain words: README.txt, and the note in the USD file."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Sequence

from lightstack.core.colour.light import find_primaries
from lightstack.core.lamp.place import card_stops
from lightstack.jobs.handover.build import FinishedBuild
from lightstack.jobs.handover.lights import LAMP_RADIUS_M, HandedLight, find_plate
from lightstack.jobs.stage.finish import CAUTIONS

__all__ = ["fails_flashes", "list_unchecked", "list_warnings", "say_flashes", "say_usd", "write_readme"]

WIDTH = 100
# the folders of a path that leads out
_ELSEWHERE = re.compile(r"(?<![^\s\"'(`])(?:[A-Za-z]:|\.\.)?[\\/](?:[^\s:;,\\/]+[\\/])*")
NOT_CHECKED, FAILS = "not checked", "fails"  # as the manifest has it
UNCHECKED = (
    "whether the composite elsewhere is done in linear light, in these primaries",
    "whether the lamp's level in a renderer fits the plate: the takes know no distances and no absolute level",
    "what the sound of the movies holds",
)


def say_flashes(build: FinishedBuild) -> str:
    """Return how the check for flashing light stands, as the build wrote it down."""
    flash = build.manifest.get("flash")
    return str(flash.get("says") or flash.get("standing")) if isinstance(flash, dict) else NOT_CHECKED


def fails_flashes(build: FinishedBuild) -> bool:
    """Tell whether the build's frames were found to flash."""
    flash = build.manifest.get("flash")
    return isinstance(flash, dict) and flash.get("standing") == FAILS


def list_unchecked(build: FinishedBuild) -> list[str]:
    """Return what nobody has checked, flashes first, where no current check of the shot is known."""
    return [*([f"flashing light: {NOT_CHECKED}"] if say_flashes(build) == NOT_CHECKED else []), *UNCHECKED]


def list_warnings(build: FinishedBuild) -> list[str]:
    """Return the build's warnings, files named without the folders that they lie in on this machine."""
    folder = str(build.settings.path.resolve().parent) + "/"
    found = build.manifest.get("warnings", [])
    return [_ELSEWHERE.sub("", str(line).replace(folder, "")) for line in found]


def write_readme(build: FinishedBuild, lights: Sequence[HandedLight], names: Iterable[str]) -> str:
    """Return README.txt of a hand-over that holds the files ``names``."""
    names = set(names)
    have = {one.element for one in build.sequences}
    sections = [
        say_head(build),
        ("What lies where", list_places(names, build)),
        ("Colour and units", say_colour(build)),
        ("How to lay it", say_laying(build, lights, have)),
        ("The mix", say_mix(lights)) if lights else None,
        ("Tossed things", say_things(build)) if build.settings.element else None,
        ("The lights in 3D", say_lights(build, lights)) if "lights.usda" in names else None,
        ("The timeline", TIMELINE_WORDS) if "shot.otio" in names else None,
        ("Checked", say_checked(build)),
        ("Not checked", [f"- {line}" for line in list_unchecked(build)]),
        ("Warnings of the build", [f"- {line}" for line in list_warnings(build)] or ["none"]),
        ("Cautions", [f"- {line}" for line in CAUTIONS]),
    ]
    return "\n\n".join(write_section(*section) for section in sections if section is not None) + "\n"


def write_section(title: str, lines: Sequence[str]) -> str:
    """Return a section: its title underlined, its lines wrapped."""
    text = "\n".join([title, "-" * len(title), *(row for line in lines for row in wrap(line))])
    return text.rstrip("\n")


def wrap(line: str) -> list[str]:
    """Wrap a line at spaces; what follows a dash or stands indented keeps its place."""
    bare = line.lstrip(" ")
    lead = " " * (len(line) - len(bare))
    indent = lead + "  " * bare.startswith("- ")
    return textwrap.wrap(
        bare, WIDTH, initial_indent=lead, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
    ) or [""]


def say_head(build: FinishedBuild) -> tuple[str, list[str]]:
    """Return the title and what shot this is."""
    shot, hero = build.settings.shot, build.hero
    lines = [f"version: v{shot.version:03d}"]
    if hero is not None:
        (first, last), (begin, end) = hero.frames, hero.cut
        lines += [
            f"frames: {begin} to {end}"
            + ("" if hero.frames == hero.cut else f", with handles {first} to {last}")
            + (f", {hero.rate} frames a second" if hero.rate is not None else ""),
            f"picture: {hero.size[1]} x {hero.size[0]}"
            + ("" if hero.pixel_aspect == 1 else f", pixels {hero.pixel_aspect} as wide as high"),
        ]
        lines += [] if hero.timecode is None else [f"timecode of frame {first}: {hero.timecode}"]
    return f"Shot {shot.name}", lines


PLACES = (
    ("plates/", "- plates/: the relight plates (the room lit by the lamp alone) and clean plates, each with a PNG to "
     "look at"),
    ("light_stack", "- light_stack*.exr: every lamp still in one file of many parts, with the ambient, reach (1 = "
     "light arrived) and winner pictures"),
    ("stills/", "- stills/NAME.####.exr: the same stills one by one, numbered by the sweep's source frames; A is how "
     "far a pixel can be used, R, G, B are not multiplied by it; key_frames.csv says why each was chosen"),
    ("elements/", "- elements/: one folder for every element, numbered by shot frames"),
    ("movies/", "- movies/: to look at, or to cut back in; they hold less light than the EXR frames"),
    ("mix/", "- mix/: how strong each light is on every shot frame, as CSV and JSON"),
    ("weights/", "- weights/: how much of every still a light is made of on every shot frame"),
    ("grain/", "- grain/: the camera's grain as it was measured"),
    ("lights.usda", "- lights.usda: the lights for a renderer"),
    ("shot.otio", "- shot.otio: all of it on a timeline"),
    ("", "- checks.json, checksums.txt: what was checked; `sha256sum -c checksums.txt` checks every file again"),
)  # fmt: skip


def list_places(names: set[str], build: FinishedBuild) -> list[str]:
    """Say what lies where, as far as it is there."""
    lines = []
    for start, words in PLACES:
        if any(name.startswith(start) for name in names):
            lines.append(words)
        if start == "elements/":
            lines += [f"    {one.element}: {ELEMENT_WORDS.get(one.element, one.what)}" for one in build.sequences]
    return lines


ELEMENT_WORDS = {
    "relit": "the finished frames",
    "hero_clean": "the hero with its patches and tossed things, no light yet",
    "light": "the light, mixed, held out, grained: to be added",
    "light_screen": "light to be screened after that",
    "grain": "grain to be added last",
    "holdout": "one channel, 1 = light withheld; `light` has it in already",
    "figure": "whoever stands there: colour times matte (premultiplied), and the matte in A",
    "background": "the set with nobody in it",
    "background_lit": "the same with the light",
}


def say_colour(build: FinishedBuild) -> list[str]:
    """Say what the numbers in the pictures are."""
    found = find_primaries(build.primaries)
    xy = ", ".join(f"{name} {x:g} {y:g}" for name, (x, y) in (
        ("red", found.red), ("green", found.green), ("blue", found.blue), ("white", found.white)))  # fmt: skip
    return [
        f"All EXR pictures hold linear light in the primaries {build.primaries} (CIE x y: {xy}); every header says so. "
        "1.0 is reference white, 18 % grey is 0.18. Nothing is clipped: values above 1 and small negative ones (noise) "
        "are meant. Do not convert them through a display transform before they are laid.",
    ]


def say_laying(build: FinishedBuild, lights: Sequence[HandedLight], have: set[str]) -> list[str]:
    """Say what is added, what is screened, what is laid over, and the formula."""
    screened = [light for light in lights if light.settings.lay == "screen"]
    lines = ["Light is ADDED (plus), in linear light. It is not laid over, and it is not screened unless said here."]
    if {"hero_clean", "light"} <= have:
        lines += ["The finished frame is rebuilt, for every pixel and channel, in this order:", ""]
        if not screened:
            lines += ["    relit = hero_clean + light"]
        else:
            white = screened[0].settings.screen_white
            lines += [
                "    lit   = hero_clean + light",
                f"    relit = lit + light_screen * (1 - clamp(lit / {white:g}, 0, 1)) + grain",
                "",
                f"The white of the screened light is {white:g} (linear). Screening is a look; real light adds.",
            ]
        lines += ["", "exact to the last bit that half floats hold. Where there is no light the hero is as it was.", ""]
    lines += say_by_hand(build, lights)
    if "holdout" in have:
        lines.append("Do not multiply `light` by (1 - holdout) once more: it is held out already.")
    if "figure" in have:
        lines.append("The figure is laid OVER: figure + (1 - A) * what is behind it.")
    return lines


def say_by_hand(build: FinishedBuild, lights: Sequence[HandedLight]) -> list[str]:
    """Say how light is made from the plates, for those who lay it themselves."""
    plates = [(light, find_plate(build, light)) for light in lights]
    if not any(plate for _, plate in plates):
        return []
    lines = [
        "By hand, from the plate (without grain and light on the figure):",
        "",
        "    light = plate * gel * gain(frame) * (1 - holdout)",
    ]
    for light, plate in plates:
        if plate is not None:
            gel = " ".join(f"{gain:g}" for gain in light.settings.gel)
            gains = light.colour.gains
            more = "" if gains is None else f", times {' '.join(f'{gain:.4g}' for gain in gains)} for its new colour"
            lines.append(f"    {light.settings.name}: plates/{plate}, gel {gel}{more}")
    if any(light.colour.gains is not None for light in lights):
        lines.append("    (where the plate is clipped the build gives less of the new colour)")
    return [*lines, ""]


def say_mix(lights: Sequence[HandedLight]) -> list[str]:
    """Say how a mix is used, and what each light does."""
    lines = [
        "A mix is a gain for every shot frame: 1 is the plate as filmed, 0 is off; stops = log2(gain). It multiplies "
        "the light before it is laid. Elements have it in already; use it for CG light that should follow.",
    ]
    for light in lights:
        gains, name = light.mix.gains, light.settings.name
        peak = int(gains.argmax()) + light.mix.first_frame
        lines.append(f"- {name}: from sweep {light.sweep.report.name}, {light.settings.lay}; at most {gains.max():.4g} "
                     f"(frame {peak})")  # fmt: skip
        if light.extras.weights is not None:
            gel = " ".join(f"{gain:g}" for gain in light.settings.gel)
            lines.append(
                f"  weights/{name}.csv: light = gain * gel * (sum over stills of weight * still), gel {gel}; where a "
                "still's A is below 1 the build takes what lies there from its neighbours"
            )
            if light.settings.using == "path":
                lines.append(
                    "  (a build also brings each still to the light's place by the smooth part of its shading, so its "
                    "light element is the one to use; the sum of stills comes near to it)"
                )
    return lines


def say_things(build: FinishedBuild) -> list[str]:
    """Say how a tossed thing is laid."""
    lines = [
        "Things that were tossed through the shot: first the shadow MULTIPLIES what lies behind, then the thing is "
        "laid OVER it (premultiplied):",
        "",
        "    picture = thing + (1 - A) * (shadow * behind)",
        "",
    ]
    for one in build.settings.element:
        laid = "is in hero_clean and relit already" if one.lay else "is not laid in any other element"
        lines.append(f"- {one.name}: {laid}" + ("" if one.shadow else "; it has no shadow picture"))
    return lines


def say_lights(build: FinishedBuild, lights: Sequence[HandedLight]) -> list[str]:
    """Say what the lights of the USD file mean."""
    lines = [
        "lights.usda: time codes are shot frames, lengths are metres, y is up. One SphereLight for every light; "
        "intensity is its mix, exposure 0 is the lamp as filmed (other where a gel or a new colour changes its level), "
        "colour is linear Rec.709 with 1 in its largest channel; colour temperature is off.",
        "Reference: intensity 1 makes a grey card that faces the lamp at 1 m receive 1 (the card reads 1 divided by "
        f"its own reflectance). A ball of {LAMP_RADIUS_M:g} m radius with intensity 1 does so once every light is "
        f"raised by {card_stops(LAMP_RADIUS_M):.2f} stops; do that once for the whole shot, then match it to the "
        "plate by eye: nobody knows how far the lamp was from the walls.",
    ]
    for light in lights:
        r, g, b = light.colour.rgb
        lines.append(
            f"- {light.settings.name}: colour {r:.4f} {g:.4f} {b:.4f}, from {light.colour.source}; level "
            f"{light.colour.level:.4g} of the lamp as filmed; place {light.placed}{say_errors(light)}"
        )
    if build.view is None:
        lines.append("No [camera] was measured, so lights have no place and there is no camera: place them by eye.")
    else:
        lines.append("The origin lies on the floor below the lens; the camera looks along -z. Errors are those of the "
                     "pixel and the tape, one standard deviation; lens distortion is in none of them.")  # fmt: skip
    return lines


def say_errors(light: HandedLight) -> str:
    """Say where a lamp was and how far off that may be, at its first place."""
    if light.place is None:
        return ""
    x, y, z = light.place.points[0]
    a, b, c = light.place.errors[0]
    return f": x {x:.3f} +- {a:.3f}, y {y:.3f} +- {b:.3f}, z {z:.3f} +- {c:.3f} m"


TIMELINE_WORDS = [
    "shot.otio: one track for every sweep, element and movie, the finished frames topmost. Times are whole frames at "
    "the exact rate. Pictures are counted in shot frames, sweeps in their own source frames; the footage of hero and "
    "sweeps is not in this folder and is named only. Key frames are marked on the sweeps, points of the mix on the "
    "light.",
]


def say_checked(build: FinishedBuild) -> list[str]:
    """Say what was checked before this was handed over."""
    lines = [
        "The build is whole and of the shot file as it was; every file has the checksum that the build gave it; every "
        "EXR was read back whole; no frame is missing; no pixel is NaN or infinite; sizes, channels, primaries and "
        "rates agree.",
    ]
    flashes = say_flashes(build)
    return lines if flashes == NOT_CHECKED else [*lines, f"Flashing light: {flashes}."]


def say_usd(build: FinishedBuild, lights: Sequence[HandedLight]) -> str:
    """Return the note of the USD file."""
    return "\n".join([f"Lights of shot {build.settings.shot.name}.", *say_lights(build, lights)])
