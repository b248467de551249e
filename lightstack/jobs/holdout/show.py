"""A hold-out drawn and put into words: the figure over grey, its outline, doubt, and which frames need hands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.display import display_srgb
from lightstack.core.matte.doubt import list_hand_work
from lightstack.files.write.plates import write_png
from lightstack.jobs.holdout.holdout import HeldMatte
from lightstack.jobs.holdout.set_picture import ShotSet
from lightstack.jobs.patch.placed_masks import shrink_mask
from lightstack.jobs.stage.finish import Delivery
from lightstack.jobs.stage.hero import HeroPart
from lightstack.records import BuiltHoldout, HeldFrame, HoldoutReport, ProxyTake, PulledMatte
from lightstack.report.holdout import FINE, draw_doubt, make_doubt_sheet
from lightstack.report.phrases import say_ranges, say_share
from lightstack.report.pictures import outline_mask

__all__ = ["show_holdout"]

SHOWN = 4  # frames in the report
GREY = 0.18  # linear: the trade's middle grey
STANDS = 2e-4  # of the picture: below this nobody stands there
WORTH_HANDS = 0.02  # doubtful area over the figure's own, above which people are told
NAMED = 8  # frames
READ_LEVEL, MOST_STOPS = 0.5, 4.0  # linear light that a frame's bright places are brought to, and how far at the most


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """Every shot frame's figure ``areas`` and ``doubts``, shares of the picture (n,), and how much each needs hands."""

    first: int
    areas: NDArray[np.float64]
    doubts: NDArray[np.float64]

    @property
    def ratings(self) -> NDArray[np.float64]:
        """Doubtful area over the figure's own, (n,)."""
        return self.doubts / np.maximum(self.areas, 1e-3)

    def standing(self) -> list[int]:
        """List the shot frames in which somebody stands."""
        return [self.first + int(k) for k in np.flatnonzero(self.areas > STANDS)]

    def at(self, shot_frame: int) -> float:
        """Return a frame's share in doubt."""
        return float(self.doubts[shot_frame - self.first])


def show_holdout(
    delivery: Delivery,
    hero: HeroPart,
    held: HeldMatte,
    pulled: PulledMatte | None,
    bare: ShotSet | None,
    proxies: ProxyTake,
) -> BuiltHoldout:
    """Draw the hold-out at a few frames, write the doubt picture, and say what needs hands."""
    judged = judge_frames(hero.frames, held, pulled)
    hand_work = tuple(list_hand_work(judged.ratings.tolist(), first_frame=judged.first))
    drawn = {
        frame: draw_frame(frame, held, proxies, hero.working, judged.at(frame))
        for frame in sorted({*pick_shown(judged, hand_work), *hand_work[:SHOWN]})
    }
    worst = [drawn[frame] for frame in hand_work[:SHOWN]] or list(drawn.values())[:1]
    name = delivery.stem("doubt") + ".png"
    write_png(delivery.folder.file(name), make_doubt_sheet(worst))
    shown = [drawn[frame] for frame in pick_shown(judged, hand_work)]
    report = HoldoutReport(tuple(list_numbers(judged, held, pulled, bare, hand_work)), tuple(shown), hand_work)
    warnings = warn_holdout(judged, held, pulled, bare, hand_work, name)
    return BuiltHoldout(report, ((name, "where figure and set look alike: what to draw by hand"),), tuple(warnings))


def judge_frames(frames: tuple[int, int], held: HeldMatte, pulled: PulledMatte | None) -> Judged:
    """Return every frame's figure and doubt; where hands helped, what they left of it."""
    first, last = frames
    areas, doubts = np.zeros(last - first + 1), np.zeros(last - first + 1)
    for k, frame in enumerate(range(first, last + 1)):
        index = held.index_of(frame)
        if index is None or pulled is None:
            if held.hands is not None:
                areas[k] = float(held.alpha_at(frame).mean())
            continue
        areas[k], doubts[k] = pulled.areas[index], pulled.doubts[index]
        if held.hands is not None and doubts[k] > 0:
            doubts[k] = float(held.doubt_at(frame).mean())
    return Judged(first, areas, doubts)


def pick_shown(judged: Judged, hand_work: Sequence[int]) -> list[int]:
    """Return the frames of the report: half of them those that most need hands, the others spread over the figure."""
    standing = judged.standing() or list(range(judged.first, judged.first + len(judged.areas)))
    worst = list(hand_work[: SHOWN // 2])
    count = SHOWN - len(worst)
    spread = [standing[round((i + 0.5) * (len(standing) - 1) / count)] for i in range(count)]
    return sorted({*worst, *spread})


def draw_frame(
    frame: int, held: HeldMatte, proxies: ProxyTake, primaries: str, doubt: float
) -> HeldFrame:
    """Draw one frame's pictures at survey size."""
    picture = np.asarray(proxies.rgb[find_frame(proxies.source_frames, held.source_of(frame))], np.float32)
    alpha = shrink_mask(held.alpha_at(frame), proxies.factor)
    over_grey = picture * alpha[..., None] + np.float32(GREY) * (1 - alpha[..., None])
    shown = display_srgb(picture, primaries, exposure_stops=brighten_stops(picture))
    return HeldFrame(
        frame,
        doubt,
        display_srgb(over_grey, primaries),
        outline_mask(shown, np.asarray(alpha > 0.5), fineness=FINE),
        draw_doubt(shown, fit_size(held.doubt_at(frame), alpha.shape), alpha),
    )


def brighten_stops(picture: NDArray[np.float32]) -> float:
    """Return by how many stops a dark frame is brightened to be read."""
    bright = float(np.quantile(picture.mean(axis=-1), 0.95))
    return float(np.clip(np.log2(READ_LEVEL / max(bright, 1e-6)), 0, MOST_STOPS))


def find_frame(numbers: NDArray[np.int64], wanted: int) -> int:
    """Return the index of a source frame, of the next one where it is missing, at the end of the last."""
    return min(int(np.searchsorted(numbers, wanted)), len(numbers) - 1)


def fit_size(picture: NDArray[np.float32], size: tuple[int, ...]) -> NDArray[np.float32]:
    """Bring a small picture to a size (h, w)."""
    if picture.shape == size:
        return picture
    return np.asarray(cv2.resize(picture, (size[1], size[0]), interpolation=cv2.INTER_LINEAR), np.float32)


# --- words -------------------------------------------------------------------------------------------


def list_numbers(
    judged: Judged, held: HeldMatte, pulled: PulledMatte | None, bare: ShotSet | None, hand_work: Sequence[int]
) -> list[tuple[str, str]]:
    """Return what the report says of a hold-out."""
    rows = [("told from", say_source(pulled, bare))]
    standing = judged.standing()
    rows.append(("somebody stands there at", say_ranges(standing) if standing else "no frame"))
    if standing:
        rows.append(("figure at the most", f"{say_share(float(judged.areas.max()))} of the picture"))
        share = float(judged.doubts.sum()) / max(float(judged.areas.sum()), 1e-9)
        rows.append(("in doubt", f"{say_share(share)} of the figure's area over all frames"))
    rows.append(("most need hands", name_frames(hand_work) if hand_work else "none"))
    if held.hands is not None:
        rows.append(("helped by hand", held.hands.describe()))
    return rows


def say_source(pulled: PulledMatte | None, bare: ShotSet | None) -> str:
    """Say what the figure was told from."""
    if pulled is None or bare is None:
        return "hands alone"
    count = bare.built.frames
    words = f"the mean of {count} frames of {bare.source.words}" if count > 1 else bare.source.words
    if bare.source.role == "empty_lit":
        return words
    return f"{words}; the change of light is modelled, empty_lit tells more"


def name_frames(frames: Sequence[int]) -> str:
    """List frames, the worst first."""
    more = len(frames) - NAMED
    return ", ".join(str(frame) for frame in frames[:NAMED]) + (f" and {more} more" if more > 0 else "")


def warn_holdout(
    judged: Judged,
    held: HeldMatte,
    pulled: PulledMatte | None,
    bare: ShotSet | None,
    hand_work: Sequence[int],
    doubt_name: str,
) -> list[str]:
    """Return one line for everything that is doubtful about a hold-out."""
    lines = [] if bare is None else list(bare.built.warnings)
    if pulled is not None and bare is not None and pulled.ghosts:
        lines.append(
            f"hold-out: {bare.source.words} shows something at {' and '.join(dict.fromkeys(pulled.ghosts))} that the "
            "hero never does: somebody stood there, or a thing was moved; the hero's own picture of the set is used "
            "there. Film that take again with nobody in it if you can"
        )
    urgent = [frame for frame in hand_work if judged.ratings[frame - judged.first] > WORTH_HANDS]
    if urgent:
        lines.append(
            f"hold-out: figure and set look alike within the noise at frames {name_frames(urgent)} (the worst first); "
            f"look at {doubt_name} and draw what it marks with [[holdout.shape]]"
        )
    return lines + ([] if held.hands is None else held.hands.list_gaps())
