"""A grain profile in words and figures, and whether it fits what it is laid on."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lightstack.records import GrainProfile
from lightstack.records.grain import REACH

__all__ = ["compare_profiles", "describe_grain", "doubt_range"]

SHOWN_LEVELS = (0.003, 0.01, 0.03, 0.1, 0.18, 0.4)
BEYOND_SHARE = 0.02  # of a picture's pixels outside the measured levels that is worth a word
BEYOND_STOPS = 1.0
UNLIKE = 1.25  # times the other's strength
CHANNELS = ("red", "green", "blue")


def describe_grain(profile: GrainProfile) -> dict[str, str]:
    """Return a profile's figures, label and value with unit."""
    numbers = {
        "footage": f"{profile.take}, {profile.size[1]} x {profile.size[0]}, {profile.encoding}",
        "measured": f"{profile.pairs} pairs of frames, {profile.patches} still patches "
        f"({100 * profile.share:.0f} % of those looked at)",
        "levels seen": ", ".join(
            f"{name} {100 * low:.2g} to {100 * high:.3g} %"
            for name, (low, high) in zip(CHANNELS, profile.covered, strict=True)
        ),
    }
    for level in SHOWN_LEVELS:
        numbers |= describe_level(profile, level)
    numbers |= describe_shadows(profile)
    kind = "variance = a * level + b" + ("" if profile.is_linear else " (effective: coded footage)")
    numbers[kind] = "; ".join(
        f"{name} a {a:.3g} ± {ha:.1g}, b {b:.3g} ± {hb:.1g}"
        for name, a, ha, b, hb in zip(CHANNELS, profile.a, profile.a_half, profile.b, profile.b_half, strict=True)
    )
    rho = profile.autocorrelation
    numbers["neighbours"] = "; ".join(
        f"{name} {rho[c, REACH, REACH + 1]:.2f} across, {rho[c, REACH + 1, REACH]:.2f} down"
        for c, name in enumerate(CHANNELS)
    )
    mixed = profile.channels
    numbers["channels"] = f"red-green {mixed[0, 1]:.2f}, green-blue {mixed[1, 2]:.2f}, red-blue {mixed[0, 2]:.2f}"
    numbers["frame to frame"] = ", ".join("not known" if np.isnan(one) else f"{one:+.3f}" for one in profile.whiteness)
    return numbers


def describe_level(profile: GrainProfile, level: float) -> dict[str, str]:
    """Return the strength at one level, where it was seen in any channel; in codes too where they are known."""
    parts = []
    for c, name in enumerate(CHANNELS):
        low, high = profile.covered[c]
        if low * 0.99 <= level <= high * 1.01:
            text = f"{name} {100 * float(profile.sigma_at(c, np.array(level))):.3f} %"
            if len(profile.codes[c]):
                text += f" ({np.interp(level, profile.levels[c], profile.sigma_codes[c]):.1f} codes)"
            parts.append(text)
    return {f"grain at {100 * level:g} % of white": ", ".join(parts)} if parts else {}


def describe_shadows(profile: GrainProfile) -> dict[str, str]:
    """Return where grain reads heaviest in the coded picture, against its brightest level; green stands for all."""
    sigma, codes, level = profile.sigma_codes[1], profile.codes[1], profile.levels[1]
    if len(sigma) < 4:
        return {}
    worst = int(np.argmax(sigma))
    bright = float(np.mean(sigma[-max(2, len(sigma) // 5) :]))
    return {
        "reads heaviest": f"at {100 * level[worst]:.2g} % of white (code {codes[worst]:.0f}): {sigma[worst]:.1f} "
        f"codes, {sigma[worst] / max(bright, 1e-9):.1f} times its highlights (green)"
    }


def doubt_range(profile: GrainProfile, picture: NDArray[np.float32]) -> tuple[str, ...]:
    """Return a line where a picture (H, W, 3) has levels far outside of those that the profile knows."""
    lines = []
    sample = np.asarray(picture[::4, ::4], np.float64).reshape(-1, 3)
    for c, name in enumerate(CHANNELS):
        low, high = profile.covered[c]
        above = float((sample[:, c] > high * 2**BEYOND_STOPS).mean())
        below = float((sample[:, c] < low / 2**BEYOND_STOPS).mean()) if low > 0.01 else 0.0
        if max(above, below) > BEYOND_SHARE:
            share, where = (above, f"above {200 * high:.3g}") if above >= below else (below, f"below {50 * low:.2g}")
            lines.append(
                f"{name}: {100 * share:.0f} % of the picture lies {where} % of white, where the grain of "
                f"{profile.take} was never seen; there it is carried on by its line, a profile of this camera and "
                "exposure that covers it would be surer"
            )
    return tuple(lines)


def compare_profiles(profile: GrainProfile, other: GrainProfile) -> tuple[str, ...]:
    """Return a line for each way in which a profile does not fit another take's own."""
    lines = []
    if profile.size != other.size:
        lines.append(
            f"the profile is of {profile.size[1]} x {profile.size[0]} pixels, {other.take} has {other.size[1]} x "
            f"{other.size[0]}: its grain would be of another coarseness"
        )
    if profile.encoding != other.encoding:
        lines.append(f"the profile is of {profile.encoding}; {other.take} is {other.encoding}")
    ratios = []
    for c in range(3):
        low = max(profile.covered[c, 0], other.covered[c, 0], 1e-4)
        high = min(profile.covered[c, 1], other.covered[c, 1])
        if high <= low:
            lines.append(f"{CHANNELS[c]}: the profile and {other.take} have no level in common")
            continue
        level = np.geomspace(low, high, 16)
        ratios.append(np.median(profile.sigma_at(c, level) / np.maximum(other.sigma_at(c, level), 1e-12)))
    if ratios and not 1 / UNLIKE <= (ratio := float(np.median(ratios))) <= UNLIKE:
        lines.append(
            f"the profile's grain is {ratio:.2f} times that of {other.take} at the same levels: "
            "is it of another camera or speed? measure this take's own"
        )
    apart = float(np.abs(profile.autocorrelation - other.autocorrelation).max())
    if apart > 0.15:
        lines.append(f"the profile's grain is of another texture than that of {other.take} (by {apart:.2f})")
    return tuple(lines)
