"""The numbers of a shoot sheet as tables for people."""

from __future__ import annotations

import math
from fractions import Fraction

from lightstack.core.check.plan_arithmetic import (
    GELS,
    GREY,
    LampSpeed,
    aim_below_clipping,
    filtered_kelvin,
    grey_filter_stops,
    lamp_speed,
    mired_shift,
    stops_of_distance,
)
from lightstack.core.check.shutter import (
    PULSES_PER_CYCLE,
    Shutter,
    beat_frequency,
    clean_shutters,
    exposure_seconds,
    nearest_clean_shutter,
    residual_flicker,
)
from lightstack.report.phrases import NARROW_SPACE, say_number, say_stops
from lightstack.report.plan_words import PlanTable

__all__ = [
    "choose_shutter",
    "make_filter_table",
    "make_gel_table",
    "make_shutter_table",
    "make_speed_table",
    "say_rate",
]

DISTANCES_M = (0.3, 0.5, 1.0, 1.5, 2.0, 3.0)
MARGIN_STOPS = 1.0  # below clipping; common practice for a lamp that comes closer than planned
# Shifts of the usual full correction gels (common values of the trade, as printed in gel books).
FULL_ORANGE, FULL_BLUE = 159.0, -137.0


def say_rate(rate: Fraction) -> str:
    """Write a frame rate: 24, or 23.976 with its fraction."""
    if rate.denominator == 1:
        return str(rate.numerator)
    return f"{float(rate):.3f} ({rate.numerator}/{rate.denominator})"


def choose_shutter(rate: Fraction, mains_hz: float, asked_deg: float | None) -> Shutter:
    """Return the shutter of the sheet: the one asked for, else the clean one nearest to 180 degrees, else 180."""
    clean = nearest_clean_shutter(rate, mains_hz)
    if asked_deg is None and clean is not None:
        return clean
    angle = 180.0 if asked_deg is None else asked_deg
    seconds = exposure_seconds(angle, rate)
    return Shutter(angle, seconds, residual_flicker(1.0, PULSES_PER_CYCLE * mains_hz, seconds))


def make_shutter_table(rate: Fraction, mains_hz: float, used: Shutter) -> PlanTable:
    """List the shutters that are blind to the mains, and what the one used leaves of its flicker."""
    clean = clean_shutters(rate, mains_hz)
    rows = [(f"{say_number(s.angle_deg, 3)}\u00b0", s.fraction, "none") for s in clean]
    chosen = next((i for i, s in enumerate(clean) if math.isclose(s.angle_deg, used.angle_deg, rel_tol=1e-5)), None)
    notes = []
    if chosen is None:
        left = f"{say_number(100 * used.residual, 1)}{NARROW_SPACE}% of the lamp's own pulsing"
        rows.append((f"{say_number(used.angle_deg, 3)}\u00b0 (used)", used.fraction, left))
        chosen = len(rows) - 1
        if clean:
            near = nearest_clean_shutter(rate, mains_hz, used.angle_deg)
            assert near is not None
            notes.append(f"The nearest clean shutter is {say_number(near.angle_deg, 3)}\u00b0, {near.fraction}.")
    beat = beat_frequency(rate, mains_hz)
    lamps = f"Lamps on {say_number(mains_hz)} Hz mains pulse at {say_number(PULSES_PER_CYCLE * mains_hz)}"
    if beat > 0:
        notes.append(f"{lamps} Hz; at this rate any other shutter makes them flicker at {say_number(beat, 3)} Hz.")
    else:
        notes.append(
            f"{lamps} Hz, a multiple of the frame rate: other shutters do not flicker, but a rolling shutter shows "
            "standing bands."
        )
    if not clean:
        notes.append("A frame is shorter than one pulse: no shutter is clean; use lamps that do not pulse.")
    notes.append("Dimmed LED lamps may pulse by themselves at other rates: film each for a few seconds and inspect it.")
    return PlanTable("Shutters without flicker", ("angle", "time", "flicker left"), tuple(rows), chosen, tuple(notes))


def make_speed_table(rate: Fraction, shutter: Shutter, distance_m: float) -> PlanTable:
    """Say how fast the lamp may be carried, for a few distances and the one asked for."""
    distances = sorted({*DISTANCES_M, distance_m})
    speeds = [lamp_speed(rate, shutter.angle_deg, d) for d in distances]
    rows = tuple(_write_speed(speed) for speed in speeds)
    notes = (
        "Speed: the lamp travels at most 2 % of its distance while the shutter is open, every place has nine tenths of "
        "its best light for 12 frames, and nobody goes faster than 0.5 m/s in the dark. Our rules, on the safe side.",
        "Ways so far apart leave every place of a wall at least half of its best light (inverse square, cosine).",
    )
    head = ("distance", "speed", "time per metre", "ways apart", "light")
    return PlanTable("Lamp speed", head, rows, distances.index(distance_m), notes)


def _write_speed(speed: LampSpeed) -> tuple[str, ...]:
    return (
        f"{say_number(speed.distance_m)} m",
        f"{say_number(speed.metres_per_second)} m/s",
        f"{say_number(speed.seconds_per_metre, 1)} s",
        f"{say_number(speed.spacing_m, 1)} m",
        "as at 1 m" if speed.stops == 0 else say_stops(speed.stops),
    )


def make_gel_table(gel: str, colour: tuple[float, float, float]) -> PlanTable:
    """Say where to expose the gel's light: of the one asked for, or of every colour that has a name."""
    colours = {gel: colour} if gel != "none" else GELS
    rows = []
    for name, rgb in colours.items():
        aim = aim_below_clipping(rgb, margin_stops=MARGIN_STOPS)
        first = {"R": "red", "G": "green", "B": "blue", "all": "all alike"}[aim.channel]
        rows.append(
            (
                name if name != "none" else "no gel",
                first,
                f"{say_number(100 * aim.signal, 0)}{NARROW_SPACE}%",
                f"{say_stops(aim.lead_stops)}",
                f"{say_stops(aim.meter_stops)}",
            )
        )
    notes = (
        f"Hold the lamp as close as it will come to anything and set the exposure so that the named channel stays "
        f"{say_number(MARGIN_STOPS)} stop below clipping: on an R, G, B display of a BT.709 signal at the level given. "
        "With a log curve: that many stops below the code at which the camera clips.",
        "A light meter weighs by luminance and reads a saturated colour darker than its strongest channel. The last "
        f"column is what it may read there at most, against middle grey ({say_number(100 * GREY, 0)} %), for a camera "
        "that clips at reference white; add the stops that yours has above it.",
        "Colours are round figures for planning; the grey card under the lamp tells the real ones.",
    )
    head = ("gel", "clips first", "aim, BT.709 signal", "channel above luminance", "meter at most")
    return PlanTable("Exposure below clipping", head, tuple(rows), 0 if gel != "none" else None, notes)


def make_filter_table() -> PlanTable:
    """Lay out mired, grey filters and distances, for sums made on set."""
    orange, blue = FULL_ORANGE, FULL_BLUE
    rows = (
        ("5600 K to 3200 K", _say_mired(mired_shift(5600, 3200))),
        ("3200 K to 5600 K", _say_mired(mired_shift(3200, 5600))),
        (f"full orange ({_say_mired(orange)}) on 5600 K", f"{filtered_kelvin(5600, orange):.0f} K"),
        (f"full blue ({_say_mired(blue)}) on 3200 K", f"{filtered_kelvin(3200, blue):.0f} K"),
        ("full blue twice on 3200 K", f"{filtered_kelvin(3200, blue, blue):.0f} K"),
        *((f"grey filter of density {d}", say_stops(-grey_filter_stops(d))) for d in (0.3, 0.6, 0.9, 1.2)),
        ("lamp from 1 m to 1.4 m", say_stops(stops_of_distance(1, math.sqrt(2)))),
        ("lamp from 1 m to 2 m", say_stops(stops_of_distance(1, 2))),
        ("lamp from 1 m to 0.5 m", say_stops(stops_of_distance(1, 0.5))),
    )
    notes = (
        "Mired = 1,000,000 / kelvin; shifts of filters add, kelvins do not.",
        "A stop is a factor of two in light. Distance counts for lamps that are small against it.",
    )
    return PlanTable("Filters and stops", ("step", "result"), rows, None, notes)


def _say_mired(shift: float) -> str:
    plus = "+" if shift > 0 else ""
    return f"{plus}{say_number(shift)} mired"
