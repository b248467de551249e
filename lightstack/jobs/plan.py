"""`lightstack plan`: a shoot sheet for a frame rate, a mains, a gel and a lamp's distance."""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from lightstack.core.check.plan_arithmetic import GELS, aim_below_clipping, lamp_speed
from lightstack.core.check.shutter import Shutter, beat_frequency, clean_shutters, shutter_angle
from lightstack.core.colour.names import nearest_name
from lightstack.errors import OutputError, SettingError
from lightstack.files.folder import write_whole
from lightstack.report.plan_page import make_plan_page
from lightstack.report.plan_tables import (
    MARGIN_STOPS,
    choose_shutter,
    make_filter_table,
    make_gel_table,
    make_shutter_table,
    make_speed_table,
    say_rate,
)
from lightstack.report.plan_words import CAUTIONS, CHECKLIST, LOCKS, ShootPlan, list_passes

__all__ = ["PlanRequest", "ShootPlan", "plan_shoot", "read_request", "write_plan"]

MAINS_HZ = (50, 60)
# Rates as they are spoken, with the exact ones that are meant (SMPTE ST 12-1: 1000/1001 of the whole number).
SPOKEN_RATES = {"23.976": 24, "23.98": 24, "29.97": 30, "47.952": 48, "47.95": 48, "59.94": 60, "119.88": 120}
LEAST_DISTANCE_M, MOST_DISTANCE_M = 0.1, 100.0


@dataclass(frozen=True, slots=True)
class PlanRequest:
    """What a sheet is made for. ``shutter_deg``: None chooses one without flicker. ``colour``: of the gel, linear."""

    rate: Fraction = Fraction(24)
    mains_hz: int = 50
    shutter_deg: float | None = None
    gel: str = "none"
    colour: tuple[float, float, float] = GELS["none"]
    distance_m: float = 1.0


def read_request(*, rate: str, mains: int, shutter: str | None, gel: str, distance_m: float) -> PlanRequest:
    """Read a request as it was typed. Raises SettingError naming the option, what came and what was expected."""
    exact = read_rate(rate)
    if mains not in MAINS_HZ:
        raise SettingError(f"--mains {mains}: expected 50 or 60, the mains frequency in Hz where you shoot")
    if not LEAST_DISTANCE_M <= distance_m <= MOST_DISTANCE_M:
        raise SettingError(
            f"--lamp-distance {distance_m:g}: expected metres from {LEAST_DISTANCE_M:g} to {MOST_DISTANCE_M:g}"
        )
    angle = None if shutter is None else read_shutter(shutter, exact)
    return PlanRequest(exact, mains, angle, *read_gel(gel), distance_m)


def read_rate(text: str) -> Fraction:
    """Read frames a second: ``24``, ``24000/1001``, or a spoken rate such as ``23.976``. Raises SettingError."""
    if text in SPOKEN_RATES:
        return Fraction(SPOKEN_RATES[text] * 1000, 1001)
    try:
        rate = Fraction(text)
    except (ValueError, ZeroDivisionError):
        rate = Fraction(0)
    if not 1 <= rate <= 1000:
        raise SettingError(f"--rate {text}: expected frames per second from 1 to 1000 as 24, 23.976 or 24000/1001")
    return rate


def read_shutter(text: str, rate: Fraction) -> float:
    """Read a shutter as an angle (``172.8``) or a time (``1/50``), in degrees. Raises SettingError."""
    time = re.fullmatch(r"1/(\d+(?:\.\d+)?)", text.strip())
    try:
        angle = shutter_angle(1 / float(time[1]), rate) if time else float(text)
    except (ValueError, ZeroDivisionError):
        angle = 0.0
    if not 0.1 <= angle <= 360.0001:
        raise SettingError(f"--shutter {text}: expected an angle up to 360 such as 172.8, or a time such as 1/50")
    return min(angle, 360.0)


def read_gel(text: str) -> tuple[str, tuple[float, float, float]]:
    """Read a gel's colour: a name, or linear ``r,g,b``. Raises SettingError."""
    if text in GELS:
        return text, GELS[text]
    try:
        red, green, blue = (float(word) for word in text.split(","))
        colour = (red, green, blue)
        aim_below_clipping(colour)
    except ValueError:
        near = nearest_name(text, list(GELS))
        hint = f"; the nearest is {near}" if near else ""
        raise SettingError(
            f"--gel {text}: expected one of {', '.join(GELS)}, or linear R,G,B such as 1,0.4,0{hint}"
        ) from None
    return text, colour


def plan_shoot(request: PlanRequest) -> ShootPlan:
    """Make the shoot sheet."""
    shutter = choose_shutter(request.rate, request.mains_hz, request.shutter_deg)
    speed = lamp_speed(request.rate, shutter.angle_deg, request.distance_m)
    tables = (
        make_shutter_table(request.rate, request.mains_hz, shutter),
        make_speed_table(request.rate, shutter, request.distance_m),
        make_gel_table(request.gel, request.colour),
        make_filter_table(),
    )
    return ShootPlan(
        settings=describe_request(request, shutter),
        passes=list_passes(request.rate, speed, request.gel),
        tables=tables,
        locks=LOCKS,
        checklist=CHECKLIST,
        cautions=CAUTIONS,
        numbers=gather_numbers(request, shutter),
    )


def describe_request(request: PlanRequest, shutter: Shutter) -> tuple[tuple[str, str], ...]:
    """Return the head of the sheet."""
    return (
        ("frame rate", f"{say_rate(request.rate)} frames/s"),
        ("mains", f"{request.mains_hz} Hz"),
        ("shutter", f"{shutter.angle_deg:.3f}".rstrip("0").rstrip(".") + f"\u00b0, {shutter.fraction}"),
        ("gel", "none" if request.gel == "none" else request.gel),
        ("lamp from walls and furniture", f"{request.distance_m:g} m"),
    )


def gather_numbers(request: PlanRequest, shutter: Shutter) -> dict[str, object]:
    """Return the sheet's figures as plain numbers, for programs."""
    aim = aim_below_clipping(request.colour, margin_stops=MARGIN_STOPS)
    return {
        "rate": str(request.rate),
        "mains_hz": request.mains_hz,
        "beat_hz": beat_frequency(request.rate, request.mains_hz),
        "shutter": shutter,
        "clean_shutters": clean_shutters(request.rate, request.mains_hz),
        "lamp_speed": lamp_speed(request.rate, shutter.angle_deg, request.distance_m),
        "gel": request.colour,
        "exposure_aim": aim,
    }


def write_plan(plan: ShootPlan, path: Path) -> None:
    """Write the sheet as one HTML page that prints. Raises OutputError where it cannot be written."""
    if path.is_dir():
        raise OutputError(f"{path}: is a folder; name a file in it, such as {path / 'plan.html'}")
    write_whole(path, make_plan_page(plan))
