"""Groups of options that several commands share: a dataclass of options in place of a list of parameters."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from dataclasses import fields, is_dataclass
from typing import Any, get_type_hints

__all__ = ["spread_options"]


def spread_options(command: Callable[..., None]) -> Callable[..., None]:
    """Return a command that takes the fields of its dataclass parameters as options of its own.

    Fields are annotated as single options are; the command itself gets each group as one record.
    """
    hints = get_type_hints(command, include_extras=True)
    groups = {name: kind for name, kind in hints.items() if is_dataclass(kind)}

    def spread(**words: Any) -> None:
        gathered = {
            name: kind(**{field.name: words.pop(field.name) for field in fields(kind)})  # type: ignore[operator]
            for name, kind in groups.items()
        }
        command(**words, **gathered)

    parameters = []
    for name, parameter in inspect.signature(command).parameters.items():
        known = [parameter.replace(annotation=hints[name])] if name not in groups else list_fields(groups[name])
        parameters += [one.replace(kind=inspect.Parameter.KEYWORD_ONLY) for one in known]
    spread.__name__, spread.__doc__ = command.__name__, command.__doc__
    spread.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined]
    return spread


def list_fields(group: Any) -> list[inspect.Parameter]:
    """Return the fields of a dataclass as parameters with their defaults, those of what it is built on last."""
    hints, known = get_type_hints(group, include_extras=True), {field.name: field for field in fields(group)}
    names = [name for kind in group.__mro__ for name in inspect.get_annotations(kind)]
    return [
        inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY, default=known[name].default, annotation=hints[name])
        for name in dict.fromkeys(names)
    ]
