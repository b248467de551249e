"""What a shoot sheet says: the passes in order, what to lock, what to check, what can hurt."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from lightstack.core.check.plan_arithmetic import LampSpeed
from lightstack.report.phrases import say_number

__all__ = ["CAUTIONS", "CHECKLIST", "LOCKS", "PlanPass", "PlanTable", "ShootPlan", "list_passes"]


@dataclass(frozen=True, slots=True)
class PlanPass:
    """One take to shoot. ``key``: where it goes in the shot file. ``least_seconds``: how long at least."""

    number: int
    name: str
    key: str
    least_seconds: float
    frames: int
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PlanTable:
    """Numbers of the sheet: column heads, rows, the row to use (None: all alike), and what to know of them."""

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    chosen: int | None
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ShootPlan:
    """A whole shoot sheet. ``numbers``: the same as the tables, as plain numbers by name."""

    settings: tuple[tuple[str, str], ...]
    passes: tuple[PlanPass, ...]
    tables: tuple[PlanTable, ...]
    locks: tuple[str, ...]
    checklist: tuple[str, ...]
    cautions: tuple[str, ...]
    numbers: dict[str, object]


LOCKS = (
    "Tripod: head locked, weight on it, feet marked on the floor; nobody walks on the boards it stands on.",
    "Start and stop the camera by remote, or leave it running and call the takes.",
    "Focus: by hand, then taped. Zoom: taped.",
    "Aperture, shutter, sensitivity, white balance: by hand, the same for every take; note them on this sheet.",
    "Stabilisation, noise reduction, sharpening and every automatic of the picture: off.",
    "Frame rate, picture size, codec and log curve: the same for every take.",
    "Windows and daylight: covered, or wait for steady light. Practical lamps: on or off for all takes alike.",
    "The set: nothing is moved from the hero to the last pass. If something must move, film another empty take.",
)

CHECKLIST = (
    "Cards are empty and batteries full; a spare battery stands by for camera and lamp.",
    "The lens is clean: flare and dust show when the lamp comes near it.",
    "The hero is chosen and will be used: every other pass fits this one framing.",
    "The route of the lamp was walked once in full light; corners are counted aloud on the way.",
    "The carrier wears dark matt clothes and gloves; the lamp's back is flagged with black foil.",
    "A slate or a spoken word names every take.",
    "After each pass: `lightstack inspect --quick` on it, while the set still stands.",
    "Before the set is struck: every take of this sheet is on two drives.",
)

CAUTIONS = (
    "Local electrical and fire codes and a licensed electrician come first; this sheet is common practice, no more.",
    "Prefer LED lamps. Gels scorch and can burn on hot lamps: use heat-rated gel with an air gap, never wrap a hot "
    "head, and let it cool before you touch it.",
    "Walk the route once in full light. No trailing cable: carry a battery lamp, and tape down what must lie "
    "on the floor.",
    "Have a spotter who can put the room's light on at once. Nobody stands on a ladder or a chair in the dark.",
    "No bright lamp into anybody's eyes, the actor's least of all; warn before you uncover it.",
    "Watch batteries while they charge, on a surface that does not burn; do not use swollen or damaged ones.",
    "Flashing light can trigger seizures in photosensitive people: warn everybody present before lamps are switched in "
    "quick turn, and have the finished mix checked before anybody watches it.",
)


PassText = tuple[str, str, float, tuple[str, ...]]  # name, key of the shot file, least seconds, what to do
BEFORE_THE_SWEEP: tuple[PassText, ...] = (
    (
        "Hero",
        "[takes.hero]",
        3,
        (
            "The action as it will be used, with a second before and after it.",
            "An edge lamp and its stand may be in shot if the empty takes below are filmed: a patch removes them.",
        ),
    ),
    (
        "Empty, lamps out",
        "[takes.empty]",
        3,
        ("Nobody, no stands, the hero's lamps out. Same framing, nothing touched.",),
    ),
    (
        "Empty, the hero's lamps on",
        "[takes.empty_lit]",
        3,
        (
            "Nobody; every lamp of the hero burns as it did. For patches and for what the figure hid.",
            "Where a stand was in shot: once with it, and once with the lamp held from outside the frame.",
        ),
    ),
)
AFTER_THE_SWEEP: tuple[PassText, ...] = (
    (
        "Each fixed lamp, on and off",
        "[[sweep]], one each",
        9,
        ("One lamp at a time, all others out: 3 s off, 3 s on, 3 s off. Nobody in shot, nobody in its light.",),
    ),
    (
        "Prop passes",
        "[[element]]",
        5,
        (
            "Whatever must be laid by itself (a curtain that stirs, smoke, a door): one take each, same framing, "
            "with 2 s before it begins.",
        ),
    ),
    (
        "Grey card at the effect's place",
        "[takes.grey]",
        9,
        (
            "Facing halfway between lamp and lens, three times 3 s: ambient alone, the lamp alone, both together.",
            "The three tell the lamp's colour and whether the camera's light really adds.",
        ),
    ),
    (
        "Matt ball and mirror ball at the effect's place",
        "for the 3-D artist",
        6,
        ("3 s each under the hero's light, then with the lamp held where the effect will be.",),
    ),
    (
        "Empty again",
        "keep",
        3,
        ("As the first empty take. If it differs, something moved or the light changed: say what, film again.",),
    ),
)


def list_passes(rate: Fraction, speed: LampSpeed, gel: str) -> tuple[PlanPass, ...]:
    """List the takes to shoot, in order. ``speed``: of the lamp; ``gel``: its name, "none" without."""
    lamp = "the lamp" if gel == "none" else f"the lamp behind {gel} gel"
    metre = f"{say_number(speed.seconds_per_metre, 1)} s for each metre"
    pace = (
        f"At most {say_number(speed.metres_per_second)} m/s ({metre}), "
        f"{say_number(speed.distance_m)} m from walls and furniture."
    )
    ways = f"Ways no further apart than {say_number(speed.spacing_m, 1)} m: low, middle, high, and into every corner."
    both = "3 s dark (lamp covered), then lamp on, the whole way, lamp covered, 3 s dark. Beam off the lens."
    sweeps: tuple[PassText, ...] = (
        (f"Sweep: {lamp} round the room", "[[sweep]]", 20, (both, pace, ways)),
        (
            "Sweep, the other way round",
            "[[sweep]]",
            20,
            ("The same again from the far end: shadows fall both ways, and what you covered is seen.", pace),
        ),
    )
    texts = (*BEFORE_THE_SWEEP, *sweeps, *AFTER_THE_SWEEP)
    return tuple(
        PlanPass(number, name, key, seconds, round(seconds * rate), lines)
        for number, (name, key, seconds, lines) in enumerate(texts, start=1)
    )
