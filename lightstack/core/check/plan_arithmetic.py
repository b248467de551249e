"""The arithmetic of a shoot: filters in mired, stops of distance and of grey filters, gels below clipping, lamp speed.

Shutters stand in ``core.check.shutter``. Every formula names where it comes from; what has no source but the habit of
the trade says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

from lightstack.core.check.shutter import exposure_seconds, require_positive

__all__ = [
    "GELS",
    "GelAim",
    "LampSpeed",
    "aim_below_clipping",
    "filtered_kelvin",
    "grey_filter_stops",
    "half_light_radius",
    "lamp_speed",
    "mired",
    "mired_shift",
    "stops_of_distance",
]

# REFERENCE  ITU-R BT.709-6, item 3.2: luminance of the primaries.
LUMINANCE = (0.2126, 0.7152, 0.0722)
GREY = 0.18  # of reference white: the reflectance that light meters are set for (common practice)
# Colours of gels as linear light of BT.709 primaries, the strongest channel 1: round figures for planning, not
# measurements; a gel of any make is measured best by the grey card under the lamp.
GELS: dict[str, tuple[float, float, float]] = {
    "none": (1.0, 1.0, 1.0),
    "amber": (1.0, 0.42, 0.02),
    "orange": (1.0, 0.25, 0.01),
    "yellow": (1.0, 0.8, 0.05),
    "red": (1.0, 0.02, 0.01),
    "pink": (1.0, 0.3, 0.5),
    "magenta": (1.0, 0.03, 0.6),
    "violet": (0.45, 0.04, 1.0),
    "blue": (0.02, 0.08, 1.0),
    "cyan": (0.03, 0.8, 1.0),
    "green": (0.05, 1.0, 0.08),
}
SMEAR_SHARE = 0.02  # of its distance that the lamp may travel while the shutter is open (our rule)
DWELL_FRAMES = 12  # in which a place has nine tenths of its best light (our rule): enough to choose from
WALK_LIMIT = 0.5  # m/s: no faster through a dark room (common practice, and ours)


def mired(kelvin: float) -> float:
    """Return a colour temperature in mired, 1e6 / T."""
    require_positive("colour temperature", kelvin)
    return 1e6 / kelvin


def mired_shift(kelvin_from: float, kelvin_to: float) -> float:
    """Return the shift in mired of the filter that leads from one colour temperature to another; + is warmer."""
    return mired(kelvin_to) - mired(kelvin_from)


def filtered_kelvin(kelvin: float, *shifts: float) -> float:
    """Return the colour temperature behind filters of these shifts in mired: they add.

    Raises ValueError where they would lead beyond infinity (a mired of 0 or less).
    """
    total = mired(kelvin) + math.fsum(shifts)
    require_positive("the filtered light's mired", total)
    return 1e6 / total


def stops_of_distance(from_m: float, to_m: float) -> float:
    """Return by how many stops a small lamp's light changes when its distance goes from one to another.

    2 log2(from / to), the inverse square law: twice the distance is 2 stops less.
    """
    require_positive("distance", from_m)
    require_positive("distance", to_m)
    return 2 * math.log2(from_m / to_m)


def grey_filter_stops(density: float) -> float:
    """Return by how many stops a grey filter of an optical density dims: density / log10(2); 0.3 is 0.997."""
    return density / math.log10(2)


@dataclass(frozen=True, slots=True)
class GelAim:
    """Where to expose a lamp behind a gel.

    ``channel``: the one that clips first. ``lead_stops``: how far it is above what a luminance meter tells.
    ``level``: linear light that it may reach at most (1 = clipping). ``meter_stops``: what a light meter, which weighs
    by luminance, may read against middle grey at the brightest place. ``signal``: that level in BT.709 code, 0 to 1.
    """

    channel: str
    lead_stops: float
    level: float
    meter_stops: float
    signal: float


def aim_below_clipping(
    gel: tuple[float, float, float], *, margin_stops: float = 1.0, clip_over_grey_stops: float = math.log2(1 / GREY)
) -> GelAim:
    """Return the aim for a gel's colour (linear BT.709 light, any scale) a margin below clipping.

    ``clip_over_grey_stops``: how far the camera clips above middle grey; the default is that of a BT.709 signal
    (reference white), a camera's log curve has some stops more.

    Notes: a meter weighs channels by luminance, so light in one channel alone reads darker than that channel is: pure
    blue by log2(1 / 0.0722) = 3.79 stops.
    """
    peak = max(gel)
    if not peak > 0 or min(gel) < 0 or not all(math.isfinite(v) for v in gel):
        raise ValueError(f"a gel's colour is three numbers of 0 or more, one of them above 0, not {gel}")
    luminance = sum(w * v for w, v in zip(LUMINANCE, gel, strict=True))
    lead = math.log2(peak / luminance)
    level = 2.0**-margin_stops
    # REFERENCE  ITU-R BT.709-6, item 1.2.
    signal = 4.5 * level if level < 0.018 else 1.099 * level**0.45 - 0.099
    channel = "RGB"[list(gel).index(peak)] if min(gel) < peak else "all"
    return GelAim(channel, lead, level, clip_over_grey_stops - margin_stops - lead, signal)


@dataclass(frozen=True, slots=True)
class LampSpeed:
    """How fast the lamp may be carried at a distance from the wall, and how far apart its ways may lie.

    ``metres_per_second``: the least of ``smear_limit``, ``dwell_limit`` and ``walk_limit``. ``spacing_m``: two ways so
    far apart leave every place of a wall at least half of its best light.
    """

    distance_m: float
    metres_per_second: float
    seconds_per_metre: float
    smear_limit: float
    dwell_limit: float
    walk_limit: float
    spacing_m: float
    stops: float  # against 1 m


def half_light_radius(distance_m: float, share: float = 0.5) -> float:
    """Return how far from the nearest place of a wall a small lamp's light has fallen to ``share`` of what it is there.

    Inverse square and Lambert's cosine make E = E0 (1 + (r / d)^2)^(-3/2); solved for r: half of it at 0.766 d.
    """
    require_positive("distance", distance_m)
    if not 0 < share < 1:
        raise ValueError(f"a share lies between 0 and 1, not at {share}")
    return distance_m * math.sqrt(share ** (-2 / 3) - 1)


def lamp_speed(rate: float | Fraction, shutter_deg: float, distance_m: float) -> LampSpeed:
    """Return how fast a lamp may travel along a wall at a distance.

    Three limits: while the shutter is open it travels at most 2 % of its distance (edges of shadows and glints stay
    sharp); every place has nine tenths of its best light for at least 12 frames; and nobody hurries in the dark.
    """
    require_positive("distance", distance_m)
    smear = SMEAR_SHARE * distance_m / exposure_seconds(shutter_deg, rate)
    dwell = 2 * half_light_radius(distance_m, 0.9) * float(rate) / DWELL_FRAMES
    speed = min(smear, dwell, WALK_LIMIT)
    return LampSpeed(
        distance_m=distance_m,
        metres_per_second=speed,
        seconds_per_metre=1 / speed,
        smear_limit=smear,
        dwell_limit=dwell,
        walk_limit=WALK_LIMIT,
        spacing_m=2 * half_light_radius(distance_m),
        stops=stops_of_distance(1.0, distance_m),
    )
