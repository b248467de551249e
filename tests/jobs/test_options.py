"""Options of a job: sizes of memory, and plate options checked as keys of a shot file."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lightstack.errors import SettingError
from lightstack.files.shot.schema import Sweep
from lightstack.jobs.takes.options import PlateOptions, make_sweep_settings, parse_memory


@pytest.mark.parametrize(
    ("text", "size"),
    [
        ("2GiB", 2**31),
        ("2 G", 2**31),
        ("1.5gb", 3 * 2**29),
        ("800MiB", 800 * 2**20),
        ("64k", 65536),
        ("12345", 12345),
    ],
)
def test_memory_sizes(text, size):
    # REFERENCE  IEC 80000-13: Ki, Mi, Gi are powers of 1024.
    assert parse_memory(text) == size


@pytest.mark.parametrize("text", ["", "lots", "-1G", "0", "2XB", "G", "1e9", "nan", "99999999T"])
def test_what_is_no_size_is_told(text):
    with pytest.raises(SettingError, match=r"^--memory"):
        parse_memory(text)


@given(st.integers(1, 2**40))
def test_a_plain_number_is_bytes(count):
    assert parse_memory(str(count)) == count


def test_plate_options_without_a_value_keep_the_defaults_of_the_shot_file():
    assert make_sweep_settings([Path("a.mov")], PlateOptions()) == Sweep.model_validate({"path": ("a.mov",)})


def test_plate_options_are_the_keys_of_a_sweep():
    options = PlateOptions(
        keys=(3, "2:4"), exclude=((1, 2),), coverage=0.9, max_keys=4, rotate=0, hold_exposure=True
    )
    sweep = make_sweep_settings([Path("a.mov"), Path("b.mov")], options)
    assert sweep.path == ("a.mov", "b.mov")
    assert (sweep.keys, sweep.exclude, sweep.coverage, sweep.max_keys) == ((3, "2:4"), ((1, 2),), 0.9, 4)
    assert sweep.rotate == 0
    assert sweep.hold_exposure
    with pytest.raises(SettingError, match=r"^--max-keys"):
        make_sweep_settings([Path("a.mov")], PlateOptions(max_keys=0))
