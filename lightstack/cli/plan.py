"""``lightstack plan``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lightstack.cli.common import Json, Quiet

if TYPE_CHECKING:
    from lightstack.jobs.plan import ShootPlan

Rate = Annotated[
    str,
    typer.Option(
        "--rate", metavar="FPS", help="Frames per second: 24, 23.976, 24000/1001 ... [24].", show_default=False
    ),
]
Mains = Annotated[
    int,
    typer.Option("--mains", metavar="HZ", help="Mains frequency where you shoot, 50 or 60 [50].", show_default=False),
]
Shutter = Annotated[
    str | None,
    typer.Option("--shutter", metavar="ANGLE", help="Your shutter, e.g. 180 or 1/50 [the one without flicker]."),
]
Gel = Annotated[
    str,
    typer.Option(
        "--gel",
        metavar="COLOUR",
        help="Colour of the gel: amber, violet ..., or linear R,G,B [none].",
        show_default=False,
    ),
]
Distance = Annotated[
    float,
    typer.Option(
        "--lamp-distance", metavar="M", help="Metres from the lamp to walls and furniture [1].", show_default=False
    ),
]
Html = Annotated[
    Path | None, typer.Option("--html", metavar="FILE", help="Also write the sheet as a page that prints.")
]


def plan(
    rate: Rate = "24",
    mains: Mains = 50,
    shutter: Shutter = None,
    gel: Gel = "none",
    lamp_distance: Distance = 1.0,
    html: Html = None,
    quiet: Quiet = False,
    json: Json = False,
) -> None:
    """Print a shoot sheet: passes in order, shutters, lamp speed, exposure, locks, checks, cautions."""
    from lightstack.jobs.plan import plan_shoot, read_request, write_plan

    request = read_request(rate=rate, mains=mains, shutter=shutter, gel=gel, distance_m=lamp_distance)
    sheet = plan_shoot(request)
    if html is not None:
        write_plan(sheet, html)
    if json:
        from lightstack.cli.results import print_lines, to_plain

        print_lines("plan", (), {"plan": to_plain(sheet), "html": html}, quiet=quiet, as_json=True)
    elif not quiet:
        print_sheet(sheet)
        if html is not None:
            print(f"written: {html}")


def print_sheet(sheet: ShootPlan) -> None:
    """Print a sheet for a terminal, as wide as it is."""
    from rich.console import Console, Group
    from rich.padding import Padding
    from rich.table import Table
    from rich.text import Text

    console = Console(highlight=False)
    console.print(Text("Shoot sheet", style="bold"))
    console.print(Text("; ".join(f"{label} {value}" for label, value in sheet.settings)))
    _print_list(console, "First: nobody gets hurt", sheet.cautions, mark="!")
    console.print(Text("\nPasses, in this order", style="bold"))
    grid = Table.grid(padding=(0, 1))
    grid.add_column(justify="right")
    grid.add_column()
    for take in sheet.passes:
        head = Text.assemble(
            (take.name, "bold"), f"  {take.key}, at least {take.least_seconds:g} s = {take.frames} frames"
        )
        grid.add_row(f"{take.number}", Group(head, *(Text(line) for line in take.lines)))
    console.print(grid)
    for shown in sheet.tables:
        table = Table(title=shown.title, title_justify="left", title_style="bold")
        for number, head_cell in enumerate(shown.head):
            table.add_column(head_cell, justify="left" if number == 0 else "right")
        for number, row in enumerate(shown.rows):
            table.add_row(*row, style="bold" if number == shown.chosen else None)
        console.print()
        console.print(table)
        for note in shown.notes:
            console.print(Padding(Text(note), (0, 0, 0, 2)))
    _print_list(console, "Lock before the first pass", sheet.locks, mark="\u25a1")
    _print_list(console, "Check", sheet.checklist, mark="\u25a1")


def _print_list(console: object, title: str, lines: tuple[str, ...], *, mark: str) -> None:
    from rich.table import Table
    from rich.text import Text

    grid = Table.grid(padding=(0, 1))
    for line in lines:
        grid.add_row(mark, Text(line))
    console.print(Text(f"\n{title}", style="bold"))  # type: ignore[attr-defined]
    console.print(grid)  # type: ignore[attr-defined]
