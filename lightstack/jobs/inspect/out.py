"""What an inspection writes: the page, rough plates, reshoot pictures."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.display import display_srgb
from lightstack.core.sampling import widest_gap
from lightstack.files.folder import OutFolder, write_whole
from lightstack.files.read.response import RESPONSE_FILE, write_response
from lightstack.files.write.plates import write_png
from lightstack.jobs.inspect.lamps import LampsJudged
from lightstack.jobs.inspect.looked import TakeLooked
from lightstack.jobs.inspect.options import InspectOptions
from lightstack.jobs.inspect.views import draw_still, stack_roughly
from lightstack.records import TakeFindings

PAGE = "inspect.html"


def write_inspection(
    folder: OutFolder,
    looked: Sequence[TakeLooked],
    takes: Sequence[TakeFindings],
    notes: Sequence[str],
    options: InspectOptions,
    *,
    title: str,
    lamps: LampsJudged | None = None,
) -> tuple[str, ...]:
    """Write everything an inspection shows, and the response that it measured; return the names of the files."""
    from lightstack.report.takes import Inspection, make_inspection

    files: list[str] = []
    pictures: list[tuple[str, NDArray[np.uint8]]] = []
    sweeps = [one for one in looked if one.reach is not None]
    for index, one in enumerate(sweeps):
        ending = "" if len(sweeps) == 1 else f"_{index + 1}"
        plate, reshoot = draw_sweep(one)
        for name, picture, what in (
            (f"plate{ending}.png", plate, "Rough plate"),
            (f"reshoot{ending}.png", reshoot, "Where the light arrived"),
        ):
            write_png(folder.file(name), picture)
            files.append(name)
            pictures.append((f"{what}: {one.name}", picture))
    kind = "quick inspection: not every frame was seen" if options.quick else "inspection"
    page = Inspection(title, kind, tuple(takes), tuple(notes), tuple(pictures))
    write_whole(folder.file(PAGE), make_inspection(page))
    if lamps is not None and lamps.response is not None and lamps.notes is not None:
        write_response(folder.file(RESPONSE_FILE), lamps.response, lamps.notes)
        files.append(RESPONSE_FILE)
    return (PAGE, *files)


def draw_sweep(one: TakeLooked) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Draw a sweep's rough plate and its reshoot picture."""
    from lightstack.report.reshoot import draw_reshoot

    look = one.look
    assert look is not None
    plate, _ = stack_roughly(look)
    assert one.reach is not None
    seen = int(np.sum(look.table.lamp_on))
    foot = "The camera's view; left and right as in the picture."
    if one.quick:
        gap = widest_gap(one.proxies.seconds, look.table.lamp_on)
        apart = f", up to {gap:.1f} s apart" if gap else ""
        foot += f" Seen at {seen} lit frames{apart}: what is lit only in between may be ringed too."
    bright = draw_still(look.small_ambient + np.maximum(plate, 0), one.primaries)
    picture = draw_reshoot(bright, one.reach, one.holes, title=one.name, full_size=one.proxies.full_size, foot=foot)
    return display_srgb(plate, one.primaries), picture
