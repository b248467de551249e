"""What is wrong with a shot file, as one line that says where, what came, what was expected."""

from __future__ import annotations

import types
from collections.abc import Iterator, Mapping, Sequence
from datetime import date, time
from pathlib import Path
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError

from lightstack.core.colour.names import nearest_name
from lightstack.errors import SettingError, make_printable
from lightstack.files.shot.schema import LATER_SECTIONS, ShotSettings
from lightstack.files.shot.toml_lines import find_line

__all__ = [
    "Place",
    "explain_problem",
    "explain_validation",
    "find_model",
    "key_names",
    "make_error",
    "show_value",
    "sort_problems",
]

Place = tuple[str | int, ...]

_LISTS = ("sweep", "light", "patch")
_PLAIN = {
    "int_type": "expected a whole number",
    "int_from_float": "expected a whole number",
    "float_type": "expected a number",
    "finite_number": "expected a finite number",
    "string_type": "expected text in quotation marks",
    "string_too_short": "must not be empty",
    "string_too_long": "is too long",
    "bool_type": "expected true or false",
    "tuple_type": "expected a list",
    "dict_type": "expected a section of keys",
    "missing": "is required",
}
_LIMITS = {"greater_than_equal": "ge", "greater_than": "gt", "less_than_equal": "le", "less_than": "lt"}
_LIMIT_WORDS = {"ge": "at least", "gt": "more than", "le": "at most", "lt": "less than"}


def make_error(source: Path, text: str, place: Sequence[str | int], message: str) -> SettingError:
    """Return the error that names file, line, key and what is wrong with it."""
    line = find_line(text, place) if place else None
    where = f"{source}, line {line}" if line else f"{source}"
    name = make_printable(format_place(tuple(place)), most=120)
    return SettingError(f"{where}: {name}{' ' if name else ''}{message}")


def format_place(place: Place) -> str:
    """Write a place as a person would: ``[[sweep]] coverage``, ``[takes.hero] path``."""
    if not place:
        return ""
    if place[0] in _LISTS:
        number = f" {place[1] + 1}" if len(place) > 1 and isinstance(place[1], int) and place[1] else ""
        head, rest = f"[[{place[0]}]]{number}", place[2:]
    elif place[0] == "takes" and len(place) > 2:
        head, rest = f"[takes.{place[1]}]", place[2:]
    else:
        head, rest = f"[{place[0]}]", place[1:]
    inner = ".".join(str(part) for part in rest if isinstance(part, str))
    return f"{head} {inner}".strip()


def explain_validation(error: ValidationError, source: Path, text: str) -> SettingError:
    """Turn the checker's list of problems into one line; unknown keys first, as they cause the others."""
    problems = sort_problems(error)
    first = make_error(source, text, *explain_problem(problems[0], tuple(problems[0]["loc"])))
    more = len(problems) - 1
    return SettingError(f"{first}; {more} more to put right after it") if more else first


def sort_problems(error: ValidationError) -> list[Mapping[str, Any]]:
    """List what the checker found, unknown keys first."""
    return sorted(error.errors(), key=lambda problem: problem["type"] != "extra_forbidden")


def explain_problem(problem: Mapping[str, Any], place: Place) -> tuple[Place, str]:
    """Return place and plain words of one problem."""
    kind = problem["type"]
    context, value = problem.get("ctx", {}), problem["input"]
    if kind == "extra_forbidden":
        return _explain_unknown(place)
    if kind == "value_error":
        return place, f"{show_value(value)}{context['error']}"
    if kind == "literal_error":
        return _explain_choice(place, value)
    if kind == "missing":
        return place, "is missing and required"
    if kind in _LIMITS:
        limit = _LIMITS[kind]
        return place, f"{show_value(value)}must be {_LIMIT_WORDS[limit]} {_write_limit(context[limit])}"
    if kind in ("model_type", "model_attributes_type", "dict_type") and len(place) < 3 and _is_section_list(value):
        return place, f"is one section: write [{'.'.join(map(str, place))}] with single brackets"
    if kind in ("model_type", "model_attributes_type", "dict_type"):
        return place, "is a section of keys, not a single value"
    if kind == "tuple_type" and isinstance(value, dict):
        name = ".".join(part for part in place if isinstance(part, str))
        return place, f"is a list: write [[{name}]] with two brackets"
    if kind == "tuple_type" and place and place[0] in _LISTS and len(place) == 1:
        return place, f"is a list: write [[{place[0]}]] with two brackets"
    return place, f"{show_value(value)}{_PLAIN.get(kind, problem['msg'])}"


def _is_section_list(value: Any) -> bool:
    return isinstance(value, tuple) and len(value) > 0 and all(isinstance(one, dict) for one in value)


def _write_limit(limit: float) -> str:
    return str(int(limit)) if limit == int(limit) else f"{limit:g}"


def show_value(value: Any) -> str:
    """Show a value that came, ``= 7: ``, as it is written in the file; cut where it is long."""
    if isinstance(value, (dict, BaseModel)):
        return ""
    try:
        shown = f'"{value}"' if isinstance(value, str) else str(_as_lists(value)).replace("'", '"')
    except ValueError:  # Python writes no number of more than some thousand digits
        return "holds a number of thousands of digits: "
    shown = {"True": "true", "False": "false"}.get(shown, shown)
    return f"= {make_printable(shown if len(shown) <= 60 else f'{shown[:57]}...')}: "


def _as_lists(value: Any) -> Any:
    if isinstance(value, (date, time)):
        return value.isoformat()
    return [_as_lists(item) for item in value] if isinstance(value, (list, tuple)) else value


def _explain_unknown(place: Place) -> tuple[Place, str]:
    """Explain a key or section that the schema does not have."""
    section, word = place[:-1], str(place[-1])
    if not section and word in LATER_SECTIONS:
        return place, f"is not available yet in this version ({LATER_SECTIONS[word]}); take the section out"
    elsewhere = [where for where, name in _walk_keys(ShotSettings) if name == word]
    if elsewhere:
        return place, f"is unknown here; it belongs in {elsewhere[0]}"
    known = sorted(_list_keys(section))
    near = nearest_name(word, known)
    if near:
        return place, f"is unknown; the nearest valid key is {near}"
    return place, f"is unknown; valid keys are {', '.join(known)}"


def _explain_choice(place: Place, value: Any) -> tuple[Place, str]:
    """Explain a value that is none of a key's choices."""
    choices = [str(choice) for choice in _list_choices(place)]
    near = nearest_name(value, choices) if isinstance(value, str) else None
    hint = f"; the nearest is {near}" if near else ""
    return place, f"{show_value(value)}expected one of {', '.join(choices)}{hint}"


def find_model(annotation: Any) -> type[BaseModel] | None:
    """Return the model inside an annotation such as ``tuple[Sweep, ...]`` or ``TakeSettings | None``."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    if get_origin(annotation) in (Annotated, Union, types.UnionType, tuple, dict):
        for part in get_args(annotation):
            found = find_model(part)
            if found:
                return found
    return None


def key_names(model: type[BaseModel]) -> dict[str, Any]:
    """Map each key as it is written in the file to its field."""
    return {field.alias or name: field for name, field in model.model_fields.items()}


def _model_at(place: Place) -> type[BaseModel] | None:
    model: type[BaseModel] | None = ShotSettings
    for part in place:
        if model is None or isinstance(part, int):
            continue
        field = key_names(model).get(part)
        model = find_model(field.annotation) if field else model
    return model


def _list_keys(place: Place) -> list[str]:
    model = _model_at(place)
    return list(key_names(model)) if model else []


def _list_choices(place: Place) -> tuple[Any, ...]:
    """Return the choices of a key, or of the items of a key that is a list."""
    words = [part for part in place if isinstance(part, str)]
    model = _model_at(tuple(words[:-1]))
    field = key_names(model).get(words[-1]) if model else None
    return _find_choices(field.annotation) if field else ()


def _find_choices(annotation: Any) -> tuple[Any, ...]:
    if get_origin(annotation) is Literal:
        return get_args(annotation)
    return next((found for part in get_args(annotation) if (found := _find_choices(part))), ())


def _walk_keys(model: type[BaseModel], head: str = "") -> Iterator[tuple[str, str]]:
    """Yield (section as written, key) for every key of every section."""
    for name, field in key_names(model).items():
        inner = find_model(field.annotation)
        if head:
            yield head, name
        if inner and not (head and head.startswith("[[") and name in ("block", "trim")):
            place = f"{head.strip('[]')}.{name}".strip(".")
            yield from _walk_keys(inner, f"[[{place}]]" if place in _LISTS else f"[{place}]")
