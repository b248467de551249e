"""Which bright spots are the lamp: those from where the light on the set could come.

A mirror shows the lamp as well, and while the lamp is behind the camera only the mirror does. The spots of frames that
follow each other are judged together: by how much worse the light is explained with the lamp on the ray of the spot,
and by the spot's size, for a lamp looks the larger the nearer it is.
"""

from __future__ import annotations

import numpy as np

from lightstack.core.lamp.model import OUTLIER, Array, Patches, Shading, compare_light, misfit_of, predict_light

RAY_DEPTHS = np.geomspace(0.12, 1.4, 24)
SURE, DOUBT = 0.06, 0.14  # misfit (1 = every patch off by e^0.66) that a track's spots add in the middle
LONE_DOUBT = 0.25  # a spot of a good track
LINK = 0.08  # tangents from one frame to the next
SMALL = 0.4  # of the lamp's usual size: a picture of it in a mirror farther off


def judge_spots(shading: Shading, lamps: Array, patches: Patches, spots: Array) -> Array:
    """Give of each frame's spots (n, c, 3), tangents x, y and radius, the lamp's, (n, 2); NaN where none is.

    ``lamps``: (n, 3) as the light alone has them.
    """
    doubt, size = doubt_spots(shading, lamps, patches, spots)
    tracks = link_spots(spots)
    middle = [float(np.median([doubt[spot] for spot in track])) for track in tracks]
    good = [track for track, off in zip(tracks, middle, strict=True) if off < DOUBT]
    sure = [track for track, off in zip(tracks, middle, strict=True) if off < SURE] or good
    chosen = np.full((len(spots), 2), np.nan)
    if not good:
        return chosen
    usual = float(np.median(np.concatenate([[size[spot] for spot in track] for track in sure])))
    least = np.full(len(spots), np.inf)
    for track in good:
        if np.median([size[spot] for spot in track]) < SMALL * usual:
            continue
        for frame, place in track:
            if doubt[frame, place] < min(LONE_DOUBT, least[frame]):
                chosen[frame], least[frame] = spots[frame, place, :2], doubt[frame, place]
    return chosen


def doubt_spots(shading: Shading, lamps: Array, patches: Patches, spots: Array) -> tuple[Array, Array]:
    """Give, (n, c) each, the misfit that every spot adds, and its size, radius times depth; NaN where there is none."""
    doubt, size = np.full((2, *spots.shape[:2]), np.nan)
    now = mean_misfit(shading, lamps, patches)
    for frame, place in np.argwhere(np.isfinite(spots[..., 0])):
        x, y, radius = spots[frame, place]
        ray = RAY_DEPTHS[:, None] * np.array([x, y, 1.0])
        misfit = mean_misfit(shading.pick(np.full(len(ray), frame)), ray, patches)
        doubt[frame, place] = misfit.min() - now[frame]
        size[frame, place] = radius * RAY_DEPTHS[misfit.argmin()]
    return doubt, size


def mean_misfit(shading: Shading, lamps: Array, patches: Patches) -> Array:
    """Give how badly lamps (n, 3) explain each frame, (n,), mean of the patches."""
    off = compare_light(shading, predict_light(lamps, patches))
    total = (misfit_of(off) * shading.weight).sum(axis=1) / np.maximum(shading.weight.sum(axis=1), 1e-9)
    return np.asarray(total / OUTLIER**2)


def link_spots(spots: Array) -> list[list[tuple[int, int]]]:
    """Link spots (n, c, 3) of frames in order into tracks of (frame, place) that move on by little each time."""
    tracks: list[list[tuple[int, int]]] = []
    open_tracks: list[list[tuple[int, int]]] = []
    for frame in range(len(spots)):
        going_on: list[list[tuple[int, int]]] = []
        for place in np.flatnonzero(np.isfinite(spots[frame, :, 0])):
            spot = (frame, int(place))
            apart = [float(np.hypot(*(spots[spot][:2] - spots[track[-1]][:2]))) for track in open_tracks]
            nearest = int(np.argmin(apart)) if apart else -1
            if apart and apart[nearest] < LINK:
                track = open_tracks.pop(nearest)
                track.append(spot)
            else:
                track = [spot]
                tracks.append(track)
            going_on.append(track)
        open_tracks = going_on
    return tracks


