"""Every key of the shot file with values that are none: one line that names file, line and key, or the file loads."""

import contextlib
import math
import re
import typing
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import BaseModel

from lightstack.errors import SettingError
from lightstack.files.shot.schema import ShotSettings, Takes, TakeSettings
from lightstack.files.shot.shot_errors import find_model, key_names
from lightstack.files.shot.shotfile import change_text, parse_shot

# A whole shot, each section as little as it may be; keys are laid into it one by one.
POLYGON = [[0, 0], [9, 0], [9, 9]]
BASE: dict = {
    "shot": {},
    "takes": {"hero": {"path": "a.mov"}, "empty": {"path": "b.mov"}},
    "sweep": [
        {
            "name": "s",
            "path": "s.mov",
            "block": [{"frames": [1, 2], "shapes": [{"frame": 1, "polygon": POLYGON}]}],
            "group": [{"name": "g", "frames": [1, 2]}],
            "trim": {"12": {"gain": 0.5}},
        }
    ],
    "light": [
        {
            "using": "path",
            "path": {"points": [[1001, 5, 5]]},
            "regel": {"green": 1.0},
            "mix": {
                "envelope": {"start": 1001},
                "response": {"rise": 0.1},
                "pulse": [{"rate": 2}],
                "flicker": [{"like": "candle"}],
                "follow": [{"take": "hero"}],
            },
        }
    ],
    "patch": [{"from": "empty", "shape": [{"drawn": [{"frame": 1001, "polygon": POLYGON}]}]}],
    "element": [{"path": "t.mov", "wishes": {"sharp": 1.0}}],
    "clean": {},
    "grain": {},
    "holdout": {"matte": {"path": "m.png"}, "shape": [{"drawn": [{"frame": 1001, "polygon": POLYGON}]}]},
    "render": {},
    "camera": {"focal_mm": 35, "sensor_width_mm": 24, "height_m": 1, "tilt_deg": 0, "distance_m": 2,
               "distance_at": [9, 9]},
    "preview": {},
    "flash": {},
    "cluster": {},
}  # fmt: skip
NEVER = {  # TOML values that no key of any kind takes
    "a date": "1979-05-27",
    "not a number": "nan",
    "infinite": "inf",
    "an unknown sub-key": "{ surely_unknown = 1 }",
    "lists in lists": "[[[[1]]]]",
    "a list of dates": "[1979-05-27]",
    "points that hold nan": "[[1001, nan], [1002, inf]]",
    "corners that hold nan": "[[0, 0], [nan, 0], [9, inf]]",
    "a whole number beyond floats": "1" + "0" * 400,
    "two of them": "[1" + "0" * 400 + ", 1" + "0" * 400 + "]",
    "three of them": "[1" + "0" * 400 + ", 1" + "0" * 400 + ", 1" + "0" * 400 + "]",
    "a whole number beyond text": "0x" + "f" * 9000,
}
PERHAPS = {  # values that are right for some keys
    "nothing": '""',
    "text": '"surely no such thing"',
    "what no terminal should get": '"a\\u0000b\\nc\\u001b[31m"',
    "long text": '"' + "x" * 5_000 + '"',
    "a long list": "[" + "7, " * 60 + "7]",
    "an empty list": "[]",
    "an empty section": "{}",
    "a list of sections": "[{}]",
    "a negative": "-7",
    "a fraction": "0.5",
    "a whole number of 18 digits": "9" * 18,
    "a large number": "1e300",
    "yes": "true",
    "backwards": "[9, 3]",
    "negative frames": "[-3, 9]",
    "frames by text": '["a", "b"]',
    "frame 0 of file 0": '["0:0", "0:1"]',
    "a file and no file": '[3, "2:9"]',
    "points in disorder": "[[1002, 1], [1001, 1]]",
    "two corners": "[[0, 0], [1, 1]]",
}


def write_toml(value) -> str:
    """Write plain values as TOML in one line."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f'"{name}" = {write_toml(item)}' for name, item in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(write_toml, value)) + "]"
    if isinstance(value, Raw):
        return value.text
    if isinstance(value, bool):
        return str(value).lower()
    return f'"{value}"' if isinstance(value, str) else str(value)


class Raw:
    """A value as it stands in the text."""

    def __init__(self, text):
        self.text = text


def lay(place, value):
    """The text of a shot file with one value at a place of `BASE`, and what that section needs beside it."""
    needed = {"takes", place[0]} | ({"sweep", "light"} if place[0] in ("sweep", "light", "camera") else set())
    parts = {name: prune(BASE[name], place[1:] if name == place[0] else ()) for name in needed & set(BASE)}
    whole = put(parts, place, value)
    return "\n".join(f"{name} = {write_toml(part)}" for name, part in whole.items())


def prune(node, place):
    """Plain values without the sections that neither lie on the way to a place nor are required; it saves time."""
    if isinstance(node, list):
        return [prune(item, place[1:]) for item in node]
    kept = {}
    for name, item in node.items():
        on_the_way = place[:1] == (name,)
        if on_the_way or name in REQUIRED or not is_section(item):
            kept[name] = prune(item, place[1:] if on_the_way else ()) if is_section(item) else item
    return kept


REQUIRED = ("hero", "empty", "shape", "shapes", "path", "drawn")


def is_section(item):
    return isinstance(item, dict) or (isinstance(item, list) and bool(item) and isinstance(item[0], dict))


def put(node, place, value):
    """Plain values with one of them replaced."""
    if not place:
        return value
    if isinstance(node, list):
        return [put(item, place[1:], value) if n == place[0] else item for n, item in enumerate(node)]
    return {**node, place[0]: put(node.get(place[0], {}), place[1:], value)}


def walk(model, node, place=()):
    """Every key of the schema with the place where `BASE` has its section, and the field."""
    for name, field in key_names(model).items():
        yield (*place, name), field
        inner = find_model(field.annotation)
        held = node.get(name)
        if inner is None or held is None or (model is Takes and name != "hero"):  # the others are made as the hero is
            continue
        if isinstance(held, list):
            yield from walk(inner, held[0], (*place, name, 0))
        elif typing.get_origin(field.annotation) is dict:
            yield from walk(inner, held["12"], (*place, name, "12"))
        else:
            yield from walk(inner, held, (*place, name))


KEYS = list(walk(ShotSettings, BASE))
OWN = [  # a sweep and a tossed thing are takes too; the hero stands for what they share
    place
    for place, _ in KEYS
    if not (len(place) == 3 and place[0] in ("sweep", "element") and place[-1] in TakeSettings.model_fields)
]


def say(place) -> str:
    return ".".join(str(part) for part in place)


def tell(place, raw) -> str | None:
    """The one line that refuses a value, or None where the file loads."""
    try:
        parse_shot(lay(place, Raw(raw)), Path("films/shot.toml"))
    except SettingError as error:
        return str(error)
    return None


def check_line(line, place, what):
    """A line says where, is one line, and is no longer than a person reads."""
    assert "\n" not in line and "\0" not in line, (place, what)
    assert line.startswith("films/shot.toml, line "), (place, what, line)
    assert len(line) < 400, (place, what, len(line))
    assert not any(word in line for word in ("Input should", "literal[", "expected one of ;", "pydantic")), line


def test_the_base_of_these_tests_is_whole():
    parse_shot(write_whole(BASE), Path("shot.toml"))
    walked = {place[-1] for place, _ in KEYS}

    def models(model):
        yield model
        for field in model.model_fields.values():
            inner = find_model(field.annotation)
            if inner is not None:
                yield from models(inner)

    for model in models(ShotSettings):
        assert issubclass(model, BaseModel)
        assert set(key_names(model)) <= walked


@pytest.mark.parametrize("place", OWN, ids=say)
def test_a_value_that_no_key_takes_is_refused_by_name(place):
    for what, raw in NEVER.items():
        line = tell(place, raw)
        assert line is not None, (place, what)
        check_line(line, place, what)
        named = [part for part in place if isinstance(part, str)]
        assert named[-1] in line or any(part in line for part in named[-2:]), (place, what, line)


@pytest.mark.parametrize("place", OWN, ids=say)
def test_any_other_value_loads_or_is_refused_in_one_line(place):
    for what, raw in PERHAPS.items():
        line = tell(place, raw)
        if line is not None:
            check_line(line, place, what)


@pytest.mark.parametrize("place", OWN, ids=say)
def test_a_zero_byte_is_refused_and_a_line_end_is_no_fault_where_text_is_free(place):
    # REFERENCE  POSIX.1-2017, 3.271: a file's name is any bytes but the slash and the null byte.
    for written in ('"a\\u0000b"', '["a\\u0000b"]'):
        line = tell(place, written)
        assert line is not None, written
        check_line(line, place, written)
    if place[-1] == "name":  # which goes into names of files that are made
        return
    for plain, broken in (('"ab"', '"a\\nb"'), ('["ab"]', '["a\\nb"]')):
        assert (tell(place, plain) is None) == (tell(place, broken) is None), broken


def list_limits(field):
    """The limits that a key states, as (sign, value)."""
    pending = [*field.metadata, *getattr(field.annotation, "__metadata__", ())]
    for part in typing.get_args(field.annotation):
        pending += getattr(part, "__metadata__", ())
    for rule in pending:
        for one in (rule, *getattr(rule, "metadata", ())):
            for name in ("ge", "gt", "le", "lt"):
                if getattr(one, name, None) is not None:
                    yield name, getattr(one, name)


LIMITED = [(place, name, limit) for place, field in KEYS for name, limit in list_limits(field)]


@pytest.mark.parametrize("place, name, limit", LIMITED, ids=[f"{say(p)}-{n}" for p, n, _ in LIMITED])
def test_a_number_beyond_its_limit_is_refused_with_the_limit(place, name, limit):
    beyond = {"ge": math.ceil(limit) - 1, "gt": limit, "le": math.floor(limit) + 1, "lt": limit}[name]
    line = tell(place, str(int(beyond)) if beyond == int(beyond) else str(beyond))
    assert line is not None
    check_line(line, place, name)
    written = str(int(limit)) if limit == int(limit) else f"{limit:g}"
    assert place[-1] in line and line.endswith(written), line


def plain_values(field):
    """A strategy for the values of a key whose kind says all: choices, yes or no, numbers within limits."""
    kinds = [part for part in (field.annotation, *typing.get_args(field.annotation)) if part is not type(None)]
    choices = next((typing.get_args(kind) for kind in kinds if typing.get_origin(kind) is typing.Literal), ())
    if choices:
        return st.sampled_from(choices)
    limits = dict(list_limits(field))
    low, high = limits.get("ge", limits.get("gt")), limits.get("le", limits.get("lt"))
    bare = {typing.get_args(kind)[0] if typing.get_origin(kind) is typing.Annotated else kind for kind in kinds}
    if bool in bare:
        return st.booleans()
    if low is None or high is None or not bare & {int, float}:
        return None
    if int in bare:
        return st.integers(int(low), int(high))
    return st.floats(low, high, exclude_min="gt" in limits, exclude_max="lt" in limits)


SIMPLE = {place: values for place, field in KEYS if (values := plain_values(field)) is not None}
SETTINGS = st.lists(st.sampled_from(sorted(SIMPLE, key=str)), min_size=1, max_size=5, unique=True).flatmap(
    lambda places: st.fixed_dictionaries({place: SIMPLE[place] for place in places})
)


def read_or_refuse(text):
    """The settings of a text, or the line that refuses it, without the number of the line."""
    try:
        return parse_shot(text, Path("films/shot.toml")).model_dump()
    except SettingError as error:
        return re.sub(r", line \d+", "", str(error))


@settings(max_examples=60, derandomize=True, deadline=None)
@given(SETTINGS)
def test_values_of_any_keys_read_as_written_and_survive_a_rewrite(values):
    whole = BASE
    for place, value in values.items():
        whole = put(whole, place, value)
    base, direct = write_whole(BASE), write_whole(whole)
    found = read_or_refuse(direct)
    changes = {say(place): value for place, value in values.items()}
    assert read_or_refuse(change_text(base, changes)) == found
    if isinstance(found, dict):
        for place, value in values.items():
            if place[0] not in found:
                continue  # what does not change a result is no part of what is written down of it
            node = found
            for part in place:
                node = node["source" if part == "from" else part]
            assert node == value


def write_whole(values):
    return "\n".join(f"{name} = {write_toml(part)}" for name, part in values.items())


TEXTS = {  # texts that are no shot file, and words of the line
    "[shot]\nversion = 1" + "0" * 5000: "a number of thousands of digits",
    "[shot]\nrate = 0x" + "f" * 9000: "rate holds a number of thousands of digits",
    "[[[[": "is not valid TOML",
    "a" * 10**6: "is not valid TOML",
    "a." * 3000 + "a = 1": "nested too deeply",
    "x = " + "[" * 5000: "nested too deeply",
    "[shot]\nname = '" + "x" * 10**6 + "'": "is too long",
    "[shot]\n" + "x" * 10**6 + " = 1": "is unknown; valid keys are",
    "[shot]\nname = 'a\x00b'": "is not valid TOML",
    "\x00": "is not valid TOML",
    "[shot]\rname = 'a'": "is not valid TOML",
    '"" = 1': "is unknown",
    '"\\u001b[31m" = 1': "[\\x1b[31m] is unknown",
    "[shot]\n'a\\nb' = 1": "is unknown",
    "d = 1979-05-27T07:32:00Z": "[d] is unknown; valid keys are",
    "[shot]\nframes = [1979-05-27, 07:32:00]": '= ["1979-05-27", "07:32:00"]: expected a frame number',
    "[[shot]]": "is one section: write [shot] with single brackets",
    "[[takes.hero]]\npath = 'a'": "is one section: write [takes.hero] with single brackets",
    "[sweep]\npath = 'a'": "is a list: write [[sweep]] with two brackets",
    "shot = 1": "is a section of keys",
    "light = [[]]": "is a section of keys",
    "[[sweep]]\npath = 'a'\nname = 'a'\n[[sweep]]\npath = 'b'\nname = 'A'": 'differs from "a" by capitals only',
    "[[sweep]]\npath = 'a'\ntrim = { '²' = { gain = 1 } }": "expected a source frame",
    "[[sweep]]\npath = 'a'\nkeys = ['" + "9" * 5000 + ":1']": "expected a source frame",
    "[shot]\nrate = '1/0'": "expected frames per second",
    "[shot]\nrate = '" + "9" * 5000 + "'": "expected frames per second",
    "[[sweep]]\npath = 'a'\nblock = [{ frames = [1, 2], polygon = [[0, 0], [1e300, 0], [0, 9]] }]": "corner at 1e+300",
    "[[element]]\npath = 'a'\npick = 0": 'expected "best", or the number of a try',
    "[clean]\ntakes = ['emptty']": "expected one of clean, hero, empty, empty_lit; the nearest is empty",
}


@pytest.mark.parametrize("text", TEXTS, ids=[text[:40].encode("unicode_escape").decode() for text in TEXTS])
def test_a_text_that_is_no_shot_file_is_refused_in_one_line(text):
    line = read_or_refuse(text)
    assert isinstance(line, str) and TEXTS[text] in line, line
    assert line.startswith("films/shot.toml: ") and line.isprintable() and len(line) < 600


TEXT = write_whole(BASE).encode()
DAMAGE = st.lists(st.tuples(st.integers(0, len(TEXT) - 1), st.binary(max_size=3), st.integers(0, 3)), max_size=4)


@settings(max_examples=100, derandomize=True, deadline=None)
@given(DAMAGE)
def test_a_damaged_text_loads_or_is_refused_in_one_line(damage):
    data = TEXT
    for place, put_in, taken in damage:
        data = data[:place] + put_in + data[place + taken :]
    with contextlib.suppress(UnicodeDecodeError):  # which is told when the file is read
        line = read_or_refuse(data.decode())
        assert isinstance(line, dict) or (line.isprintable() and len(line) < 600), line


@pytest.mark.parametrize("place", sorted({place[:-1] for place, _ in KEYS}, key=str), ids=say)
def test_an_unknown_key_is_refused_with_the_nearest_or_all(place):
    line = tell((*place, "surely_unknown"), "1")
    assert line is not None and "surely_unknown" in line and "unknown" in line
    check_line(line, place, "unknown")
