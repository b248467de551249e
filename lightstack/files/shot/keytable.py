"""Every key of the shot file as a table for people; ``python -m lightstack.files.shot.keytable`` prints it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, get_args

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from lightstack.files.shot.schema import (
    LATER_SECTIONS,
    Block,
    BlockShape,
    Camera,
    Clean,
    Cluster,
    Element,
    ElementWishes,
    Envelope,
    Flash,
    Flicker,
    Follow,
    Grain,
    Group,
    Holdout,
    HoldoutMatte,
    HoldoutShape,
    Light,
    LightPath,
    Mix,
    Patch,
    PatchDrawing,
    PatchShape,
    Preview,
    Pulse,
    Regel,
    Render,
    Response,
    Shot,
    Sweep,
    Takes,
    TakeSettings,
    Trim,
)
from lightstack.files.shot.shot_errors import key_names

__all__ = ["KeyLine", "describe_keys", "make_key_table"]

_SECTIONS: tuple[tuple[str, type[BaseModel]], ...] = (
    ("shot", Shot),
    ("takes", Takes),
    ("takes.*", TakeSettings),
    ("sweep", Sweep),
    ("sweep.block", Block),
    ("sweep.block.shapes", BlockShape),
    ("sweep.group", Group),
    ("sweep.trim.*", Trim),
    ("light", Light),
    ("light.path", LightPath),
    ("light.regel", Regel),
    ("light.mix", Mix),
    ("light.mix.envelope", Envelope),
    ("light.mix.response", Response),
    ("light.mix.pulse", Pulse),
    ("light.mix.flicker", Flicker),
    ("light.mix.follow", Follow),
    ("patch", Patch),
    ("patch.shape", PatchShape),
    ("patch.shape.drawn", PatchDrawing),
    ("element", Element),
    ("element.wishes", ElementWishes),
    ("clean", Clean),
    ("grain", Grain),
    ("holdout", Holdout),
    ("holdout.matte", HoldoutMatte),
    ("holdout.shape", HoldoutShape),
    ("render", Render),
    ("camera", Camera),
    ("preview", Preview),
    ("flash", Flash),
    ("cluster", Cluster),
)
_NOTES = (
    "`takes.*` stands for {takes}; every key of `takes.*` may also stand in a `[[sweep]]` or an `[[element]]`. "
    "`sweep`, `light`, `patch`, `element` and the shapes are lists: write `[[sweep]]`, `[[light]]`, `[[patch]]`, "
    "`[[element]]`, `[[light.mix.pulse]]`, `[[light.mix.flicker]]`, `[[light.mix.follow]]`, `[[patch.shape]]`, "
    "`[[holdout.shape]]`; the latter's `drawn` is as in `patch.shape.drawn`. "
    "Ranges are inclusive. Pixels are those of the "
    "upright full-size hero: x right, y down, the first pixel's centre at 0.5, 0.5. Source frames count "
    "from 1 at a movie's first frame (numbered stills keep their number); "
    '`"2:34"` is frame 34 of the second file of a list.'
)


@dataclass(frozen=True, slots=True)
class KeyLine:
    """One key: where it stands, what it holds, in which unit, what holds if it is left out, what for."""

    key: str
    type: str
    unit: str
    default: str
    description: str


def describe_keys() -> list[KeyLine]:
    """List every key of the shot file in the order of the schema."""
    lines = []
    for section, model in _SECTIONS:
        for name, field in key_names(model).items():
            if section in ("sweep", "element") and name in TakeSettings.model_fields and name != "path":
                continue  # a sweep is a take too; the table says so once
            lines.append(_describe_key(f"{section}.{name}", field))
    return lines


def _describe_key(name: str, field: FieldInfo) -> KeyLine:
    extra: Any = field.json_schema_extra
    kind = extra["kind"]
    if kind == "choice":
        kind = ", ".join(_write_value(choice) for choice in get_args(field.annotation))
    limits = _describe_limits(field)
    kind = f"{kind} {limits}" if limits else kind
    default = extra["shown"] or f"`{_write_value(field.default)}`"
    return KeyLine(name, kind, extra["unit"] or "-", default, str(field.description))


def _describe_limits(field: FieldInfo) -> str:
    """Say between which values a number may lie."""
    low = high = ""
    for rule in _list_rules(field):
        if getattr(rule, "ge", None) is not None:
            low = f">= {rule.ge}"
        if getattr(rule, "gt", None) is not None:
            low = f"> {rule.gt}"
        if getattr(rule, "le", None) is not None and rule.le < 10_000:
            high = f"<= {rule.le:g}"
    return ", ".join(part for part in (low, high) if part)


def _list_rules(field: FieldInfo) -> Iterator[Any]:
    pending = [*field.metadata, *getattr(field.annotation, "__metadata__", ())]
    for part in get_args(field.annotation):
        pending += getattr(part, "__metadata__", ())
    for rule in pending:
        yield rule
        yield from getattr(rule, "metadata", ())


def _write_value(value: Any) -> str:
    """Write a value as TOML does."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'"{value}"'
    return str(list(value)) if isinstance(value, tuple) else str(value)


def make_key_table() -> str:
    """Write the keys as a Markdown table, with the sections of later versions named below it."""
    rows = ["| key | type | unit | default | meaning |", "|---|---|---|---|---|"]
    for line in describe_keys():
        cells = (f"`{line.key}`", line.type, line.unit, line.default, line.description)
        rows.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
    takes = "`takes.hero`, `takes.empty`, `takes.empty_lit`, `takes.clean` and `takes.grey`"
    later = ", ".join(f"`{name}` ({what})" for name, what in LATER_SECTIONS.items())
    reserved = ["", f"Reserved, not available yet: {later}."] if later else []
    return "\n".join([*rows, "", _NOTES.format(takes=takes), *reserved]) + "\n"


if __name__ == "__main__":
    print(make_key_table(), end="")
