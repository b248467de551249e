"""The keys of a mix."""

from pathlib import Path

import pytest

from lightstack.errors import SettingError
from lightstack.files.shot.shotfile import parse_shot

HEAD = """
[takes.hero]
path = "hero.mov"

[[sweep]]
path = "sweep.mov"

[[light]]
[light.mix]
"""
WHOLE = """
envelope = { start = 1005, attack = 4, decay = 6, sustain = 0.5, stay = 3, release = 9, every = 40, times = 2 }
shutter = 172.8
clamp = [0, 1.5]
response = { rise = 0.1, fall = 0.2 }

[[light.mix.pulse]]
rate = 2
combine = "max"

[[light.mix.flicker]]
like = "candle"
order = -1

[[light.mix.follow]]
take = "hero"
region = [[0, 0], [9, 0], [9, 9]]

[[light.mix.pulse]]
at = [1010, 1022.5]
width = 2
frames = [1001, 1040]
"""


def test_a_whole_mix_is_read_and_plays_in_order():
    mix = parse_shot(HEAD + WHOLE, Path("shot.toml")).light[0].mix
    assert mix.envelope is not None and mix.envelope.sustain == 0.5 and mix.envelope.times == 2
    assert [type(one).__name__ for one in mix.modulators] == ["Flicker", "Pulse", "Pulse", "Follow"]
    assert mix.pulse[1].at == (1010.0, 1022.5)
    assert mix.response is not None and (mix.response.rise, mix.clamp) == (0.1, (0.0, 1.5))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("table = 'a.csv'\npoints = [[1, 1]]", "only one of points, envelope and table"),
        ("table_offset = 4", "table_offset needs a table"),
        ("points = [[5, 1], [5, 0]]", "frames must ascend, but 5 follows 5"),
        ("points = [[5, -1]]", "a gain is 0 or more"),
        ("shutter = 361", "at most 360"),
        ("clamp = [1, 0.5]", "low < high"),
        ("envelope = { start = 1, release = 4 }", "add sustain"),
        ("envelope = { start = 1, times = 4 }", "times needs every"),
        ("envelope = { start = 1, sustain = -1 }", "a gain is 0 or more"),
        ("response = { rise = -1 }", "at least 0"),
        ("[[light.mix.pulse]]\nduty = 0.5", "either rate"),
        ("[[light.mix.pulse]]\nrate = 2\nat = [3]", "either rate"),
        ("[[light.mix.pulse]]\nat = [3, 2]", "frames must ascend"),
        ("[[light.mix.pulse]]\nat = [3]\nduty = 0.5", "only with rate"),
        ("[[light.mix.pulse]]\nrate = 2\nwidth = 1\nduty = 0.5", "only one of duty and width"),
        ("[[light.mix.pulse]]\nrate = 2\ndepth = 2", "0 to 1"),
        ("[[light.mix.flicker]]\nlike = 'candel'", "the nearest is candle"),
        ("[[light.mix.flicker]]\nhertz = 3", "hertz is unknown"),
        ("[[light.mix.follow]]\ngain = 2", "one of take, path and sound"),
        ("[[light.mix.follow]]\ntake = 'heroo'", "the nearest is hero"),
        ("[[light.mix.follow]]\nsound = 'a.wav'\nregion = [[0, 0], [1, 0], [1, 1]]", "no region, matte or channel"),
        ("[[light.mix.follow]]\ntake = 'hero'\nwindow = 0.1", "only with a sound"),
        ("[[light.mix.follow]]\ntake = 'hero'\ncolour = 'slog3'", "only with path"),
        ("[[light.mix.follow]]\ntake = 'hero'\nfloor = 1\nceiling = 0.5", "above floor"),
        ("[[light.mix.flicker]]\nlow = 9", "from 9 to 8 Hz"),
        ("[light.mix.pulse]\nrate = 2", "write [[light.mix.pulse]] with two brackets"),
        ("file = 'mix.csv'", "file is unknown"),
        (f"points = [[5, 1{'0' * 400}]]", "expected a number"),  # more than any float holds
        (f"envelope = {{ start = 1{'0' * 400} }}", "at most 10000000"),
        (f"[[light.mix.pulse]]\nat = [1{'0' * 400}]", "expected frames"),
    ],
)
def test_what_is_wrong_is_said_in_one_line(text, said):
    with pytest.raises(SettingError) as caught:
        parse_shot(HEAD + text, Path("shot.toml"))
    assert said in str(caught.value) and "\n" not in str(caught.value)
    assert "shot.toml, line " in str(caught.value)
