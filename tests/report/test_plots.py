import dataclasses
import io
import re
import subprocess
import sys
import xml.etree.ElementTree as ET

import matplotlib
import numpy as np
import pytest
from PIL import Image

from lightstack.records import MixCurve
from lightstack.report import looks, plots
from lightstack.report.mix_plot import plot_mix

SVG = "{http://www.w3.org/2000/svg}"


def find_group(svg: bytes, gid: str) -> ET.Element:
    found = [e for e in ET.fromstring(svg).iter(f"{SVG}g") if e.get("id") == gid]
    assert len(found) == 1, gid
    return found[0]


def read_path(svg: bytes, gid: str) -> np.ndarray:
    path = next(find_group(svg, gid).iter(f"{SVG}path"))
    numbers = re.findall(r"[ML] (-?[\d.]+) (-?[\d.]+)", path.get("d"))
    return np.array(numbers, float)


def read_marks(svg: bytes, gid: str) -> np.ndarray:
    uses = find_group(svg, gid).iter(f"{SVG}use")
    return np.array([(u.get("x"), u.get("y")) for u in uses], float)


def read_places(svg: bytes, keys) -> np.ndarray:
    """Where each key's label stands, in points of the picture."""
    places = []
    for key in keys:
        spot = re.search(
            r"translate\(([\d.]+) ([\d.]+)\)", ET.tostring(find_group(svg, f"key{key.rank}")).decode()
        )
        places.append((float(spot[1]), float(spot[2])))
    return np.array(places)


@pytest.fixture
def short(table):
    """The first hundred frames: few enough that no point of a line is simplified away."""
    return dataclasses.replace(
        table, **{f.name: getattr(table, f.name)[:100] for f in dataclasses.fields(table)}
    )


def draw_all(table, keys, mix, **options):
    return [
        plots.plot_energy(table, keys, **options),
        plots.plot_frames(table, keys, **options),
        plot_mix(mix, (1005, 1020), **options),
    ]


@pytest.fixture
def mix():
    return MixCurve(1001, np.interp(np.arange(40), [5, 20, 39], [0, 1, 0]))


def test_a_plot_on_the_dark_ground_is_put_on_paper_without_drawing_it_again(table, keys, mix):
    def name_in_turn(svg: bytes) -> bytes:
        """Number the names of marks and clips, which are made from their look."""
        names = list(dict.fromkeys(re.findall(rb'id="([mp][0-9a-f]{10})"', svg)))
        return re.sub(rb"[mp][0-9a-f]{10}", lambda m: b"n%d" % names.index(m[0]), svg)

    dark, paper = (draw_all(table, keys, mix, ground=ground) for ground in ("dark", "paper"))
    for one, other in zip(dark, paper, strict=True):
        assert name_in_turn(looks.repaint(one)) == name_in_turn(other)
    for ground in looks.GROUNDS.values():
        assert len(set(looks.list_colours(ground))) == 9


@pytest.mark.parametrize("form", ["svg", "png"])
def test_the_same_numbers_give_the_same_bytes(table, keys, mix, form):
    assert draw_all(table, keys, mix, form=form) == draw_all(table, keys, mix, form=form)


def test_plots_carry_no_dates_addresses_or_program_names(table, keys, mix):
    for svg in draw_all(table, keys, mix):
        assert b"metadata" not in svg
        assert b"DOCTYPE" not in svg
        addresses = set(re.findall(rb"https?://[^\"<\s]+", svg))
        assert addresses <= {
            b"http://www.w3.org/2000/svg",
            b"http://www.w3.org/1999/xlink",
        }  # namespaces only
    for png in draw_all(table, keys, mix, form="png"):
        picture = Image.open(io.BytesIO(png))
        assert not set(picture.info) - {"dpi"}


def test_the_global_settings_and_pyplot_are_left_alone(table, keys, mix):
    names = set(matplotlib.rcParams) - {"backend"}  # reading that one loads the global interface
    before = {name: matplotlib.rcParams[name] for name in names}
    draw_all(table, keys, mix)
    assert {name: matplotlib.rcParams[name] for name in names} == before
    check = "import sys, lightstack.report.plots; sys.exit('matplotlib.pyplot' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", check], check=False).returncode == 0


def test_the_energy_line_is_the_table(short, keys):
    # By construction: page coordinates are a linear map of frame and energy (y runs down).
    points = read_path(plots.plot_energy(short, keys[:0]), "energy")
    assert len(points) == len(short.lamp_energy)
    assert np.ptp(np.diff(points[:, 0])) < 1e-3
    assert np.corrcoef(points[:, 1], -short.lamp_energy)[0, 1] > 1 - 1e-9


def test_the_mix_line_starts_at_its_frame_and_peaks_where_it_should(mix):
    points = read_path(plot_mix(mix), "mix")
    rise = points[:, 1].max() - points[:, 1].min()
    assert rise > 0
    np.testing.assert_allclose((points[:, 1].max() - points[:, 1]) / rise, _at(points, mix), atol=2e-3)


def test_the_base_is_drawn_where_it_differs_and_the_extremes_are_marked(mix):
    base = np.linspace(0.2, 0.6, len(mix.gains))
    svg = plot_mix(mix, base=base, extremes=True)
    line, under = read_path(svg, "mix"), read_path(svg, "base")
    top, steep = read_marks(svg, "peak"), read_path(svg, "steepest")
    np.testing.assert_allclose(top[0], line[np.argmax(mix.gains)], atol=1e-3)
    at = int(np.argmax(np.abs(np.diff(mix.gains))))
    np.testing.assert_allclose(steep, line[at : at + 2], atol=1e-3)
    # By construction: both lines lie on one scale, so a gain of 0.2 is a fifth of the way up to 1.
    unit = line[:, 1].max() - line[:, 1].min()
    np.testing.assert_allclose((line[:, 1].max() - under[[0, -1], 1]) / unit, [0.2, 0.6], atol=2e-3)
    assert b'id="base"' not in plot_mix(mix, base=mix.gains)


def _at(points, mix):
    share = (points[:, 0] - points[0, 0]) / np.ptp(points[:, 0])
    return np.interp(share * (len(mix.gains) - 1), np.arange(len(mix.gains)), mix.gains)


def test_every_key_is_ringed_on_the_curve(short, keys):
    inside = [k for k in keys if k.source_frame <= 100]
    svg = plots.plot_energy(short, keys)
    line, marks = read_path(svg, "energy"), read_marks(svg, "keys")
    assert len(marks) == len(inside)
    for key, mark in zip(inside, marks, strict=True):
        np.testing.assert_allclose(mark, line[key.source_frame - 1], atol=1e-3)


@pytest.mark.parametrize("narrow", [False, True])
@pytest.mark.parametrize("crowd", [1, 3])
def test_key_labels_never_overlap(table, keys, narrow, crowd):
    # Keys on neighbouring frames; one label is about 9 points across and up to 20 long.
    keys = tuple(
        dataclasses.replace(k, rank=i + 1, source_frame=40 + i // crowd * crowd + i % crowd)
        for i, k in enumerate(keys * 2)
    )
    places = read_places(plots.plot_energy(table, keys, narrow=narrow), keys)
    across = np.abs(places[:, None, 0] - places[None, :, 0])
    down = np.abs(places[:, None, 1] - places[None, :, 1])
    apart = (across > 9.0) | (down > 18.0)
    np.fill_diagonal(apart, True)
    assert apart.all()


def test_a_second_file_may_count_from_one_again(short, keys):
    twice = np.tile(short.source_frames[:50], 2)
    table = dataclasses.replace(short, source_frames=twice, weight=np.r_[np.full(50, 0.2), np.full(50, 0.8)])
    key = dataclasses.replace(keys[0], source_frame=30, weight=0.8, blocked=float(short.blocked[79]))
    svg = plots.plot_energy(table, [key])
    np.testing.assert_allclose(read_marks(svg, "keys")[0], read_path(svg, "energy")[79], atol=1e-3)


def test_nothing_measured_still_plots(table, keys):
    blank = dataclasses.replace(
        table,
        smear_px=np.full_like(table.smear_px, np.nan),
        drift_stops=np.full_like(table.drift_stops, np.nan),
    )
    assert plots.plot_frames(blank, keys).startswith(b"<svg")


@pytest.mark.parametrize("gains", [[0.0], [1.0], [0.0] * 5, [1.0] * 300, [8.0, 0.0]])
@pytest.mark.parametrize("narrow", [False, True])
def test_odd_mixes_plot(gains, narrow):
    curve = MixCurve(1001, np.array(gains))
    assert plot_mix(curve, [1001, 900, 5000], narrow=narrow).startswith(b"<svg")
    assert plot_mix(curve, base=curve.gains + 0.5, extremes=True, narrow=narrow).startswith(b"<svg")


def test_one_frame_plots(table):
    one = dataclasses.replace(
        table, **{f.name: getattr(table, f.name)[:1] for f in dataclasses.fields(table)}
    )
    assert plots.plot_energy(one, ()).startswith(b"<svg")
    assert plots.plot_frames(one).startswith(b"<svg")


def test_unknown_form_or_ground_is_refused(mix):
    with pytest.raises(ValueError, match="svg or png"):
        plot_mix(mix, form="gif")
    with pytest.raises(ValueError, match="dark or paper"):
        plot_mix(mix, ground="pink")


def test_round_steps():
    assert [looks.round_step(v) for v in (0.2, 1, 1.1, 3, 7, 11, 30, 51, 99.9)] == [
        1, 1, 2, 5, 10, 20, 50, 100, 100,
    ]  # fmt: skip


def relative_luminance(colour: str) -> float:
    # REFERENCE  WCAG 2.2, definition of relative luminance (the sRGB curve and the rounded BT.709 weights).
    value = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    linear = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    return float(linear @ (0.2126, 0.7152, 0.0722))


def contrast(a: str, b: str) -> float:
    high, low = sorted((relative_luminance(a), relative_luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("name", ["dark", "paper"])
def test_plot_inks_are_readable(name):
    # REFERENCE  WCAG 2.2, success criteria 1.4.3 (text 4.5:1) and 1.4.11 (graphics 3:1).
    ground = looks.GROUNDS[name]
    for ink in (ground.ink, ground.soft):
        assert contrast(ink, ground.page) >= 4.5
    for ink in (ground.light, ground.key, *ground.channels):
        assert contrast(ink, ground.page) >= 3


def test_an_upright_line_is_drawn_as_plotting_draws_it():
    def draw(upright):
        def fill(figure, look):
            axes = figure.add_axes((0.1, 0.1, 0.8, 0.8))
            axes.set_xlim(0, 10)
            axes.plot([0, 10], [0.2, 0.7])
            upright(axes, color=look.key, linewidth=0.6, alpha=0.6)

        return looks.render_figure(fill, "svg", "dark", (3.0, 2.0))

    ours = draw(lambda axes, **style: looks.draw_upright(axes, (4, 4), (0, 1), **style))
    assert ours == draw(lambda axes, **style: axes.axvline(4, **style))
