"""Colour names: our curves, a configuration's spaces, and what is recognised as both."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import PyOpenColorIO as ocio
import pytest

from lightstack.core.colour.light import CURVES, apply_matrix, convert_matrix, find_curve
from lightstack.errors import MissingInput, SettingError, UnreadableInput
from lightstack.files.read.colour import (
    BUILTIN_CONFIG,
    ResolvedColour,
    config_id,
    display_processor,
    fuse,
    linear_processor,
    list_spaces,
    resolve_colour,
)

RNG = np.random.default_rng(4)


@pytest.fixture(autouse=True)
def no_config_from_outside(monkeypatch):
    monkeypatch.delenv("OCIO", raising=False)


def own_processor(source, target):
    config = ocio.Config.CreateFromBuiltinConfig(BUILTIN_CONFIG)
    return config.getProcessor(source, target).getOptimizedCPUProcessor(ocio.OPTIMIZATION_LOSSLESS)


# --- names -----------------------------------------------------------------------------------------


def test_our_names_come_first():
    assert resolve_colour("slog3/sgamut3") == ResolvedColour("slog3", "sgamut3")
    guessed = resolve_colour("vlog")
    assert (guessed.transfer, guessed.primaries, guessed.ocio_space) == ("vlog", "vgamut", None)
    assert "vgamut" in guessed.assumed[0]


@pytest.mark.parametrize(
    ("name", "transfer", "primaries"),
    [
        # What the spaces are is written in the configuration's own descriptions of them.
        ("ACEScg", "linear", "ap1"),
        ("acescg", "linear", "ap1"),
        ("ocio:ACES2065-1", "linear", "ap0"),
        ("ACEScct", "acescct", "ap1"),
        ("V-Log V-Gamut", "vlog", "vgamut"),
        ("Log3G10 REDWideGamutRGB", "log3g10", "rwg"),
        ("Linear Rec.709 (sRGB)", "linear", "bt709"),
        ("Linear Rec.2020", "linear", "bt2020"),
        ("sRGB Encoded Rec.709 (sRGB)", "srgb", "bt709"),
        ("sRGB Encoded P3-D65", "srgb", "p3d65"),
        ("srgb_tx", "srgb", "bt709"),
        ("scene_linear", "linear", "ap1"),
    ],
)
def test_known_spaces_become_our_curves(name, transfer, primaries):
    assert resolve_colour(name) == ResolvedColour(transfer, primaries)


@pytest.mark.parametrize(
    ("name", "curve"),
    [
        ("ARRI LogC3 (EI800)", "logc3"),
        ("ARRI LogC4", "logc4"),
        ("S-Log3 S-Gamut3.Cine", "slog3"),
        ("CanonLog2 CinemaGamut D55", "clog2"),
        ("CanonLog3 CinemaGamut D55", "clog3"),
        ("Apple Log", "applelog"),
        ("D-Log D-Gamut", "dlog"),
    ],
)
def test_camera_spaces_are_fused_and_equal_opencolorio(name, curve):
    # REFERENCE  OpenColorIO's own processor to ACES2065-1 at random signals.
    # TOLERANCE  1e-5 of the light, or of 1.0 where that is more (its single-precision arithmetic).
    found = resolve_colour(name)
    assert (found.transfer, found.ocio_space) == (curve, None)
    signals = RNG.random((50, 60, 3)).astype(np.float32)
    light = CURVES[curve].decode(signals.astype(np.float64))
    ours = apply_matrix(light, convert_matrix(found.primaries, "ap0"))
    theirs = signals.copy()
    own_processor(name, "ACES2065-1").applyRGB(theirs)
    size = np.maximum(1.0, np.abs(ours).max(axis=-1, keepdims=True))
    assert (np.abs(theirs - ours) / size).max() <= 1e-5


def test_every_space_is_either_exact_or_left_to_opencolorio():
    fused, left, refused = [], [], []
    for space in list_spaces():
        try:
            found = resolve_colour(space)
        except SettingError:
            refused.append(space)
            continue
        (left if found.ocio_space else fused).append(space)
        assert found.ocio_space in (None, space)
    assert refused == ["Raw"]
    assert len(fused) > 35 and "ACEScc" in left


def test_a_curve_that_is_nearly_ours_is_not_taken_for_it():
    # A pure power of 1.8 is none of our curves, and ACEScc's processor is a table that strays from the
    # formula.
    assert fuse("Gamma 1.8 Encoded Rec.709") is None
    assert resolve_colour("Gamma 1.8 Encoded Rec.709").ocio_space == "Gamma 1.8 Encoded Rec.709"


@pytest.mark.parametrize(
    ("name", "near"),
    [
        ("s-log", "slog2"),
        ("S-Log3 S-Gamut3.Cin", "S-Log3 S-Gamut3.Cine"),
        ("ocio:ACESgc", "ACEScg"),
        ("slog3/sgamut3cinema", "sgamut3cine"),
        ("zzzz", "one of linear, srgb"),
        ("Raw", "without colour"),
    ],
)
def test_unknown_names_offer_the_nearest(name, near):
    with pytest.raises(SettingError) as caught:
        resolve_colour(name)
    assert near in str(caught.value) and "\n" not in str(caught.value)


# --- processors ------------------------------------------------------------------------------------


def test_processor_gives_light_in_the_working_primaries():
    # REFERENCE  OpenColorIO's own conversion to Linear Rec.709 (sRGB). TOLERANCE  single precision.
    signals = RNG.random((7, 9, 3)).astype(np.float32)
    kept = signals.copy()
    ours = linear_processor("ACEScc", "bt709")(signals)
    theirs = signals.copy()
    own_processor("ACEScc", "Linear Rec.709 (sRGB)").applyRGB(theirs)
    np.testing.assert_allclose(ours, theirs, rtol=1e-4, atol=1e-4)
    assert ours.dtype == np.float32 and ours.shape == signals.shape
    np.testing.assert_array_equal(signals, kept)


def test_inverse_processor_brings_the_signal_back():
    light = RNG.random((6, 5, 3)).astype(np.float32)
    there = linear_processor("ACEScc", "bt709")
    back = linear_processor("ACEScc", "bt709", inverse=True)
    np.testing.assert_allclose(there(back(light)), light, rtol=1e-3, atol=1e-4)


def test_processor_takes_views_that_are_not_contiguous():
    signals = RNG.random((6, 8, 3)).astype(np.float32)
    convert = linear_processor("Camera Rec.709")
    np.testing.assert_array_equal(convert(signals[::2, ::2]), convert(signals)[::2, ::2])


def test_camera_rec709_is_the_bt709_curve_to_its_rounding():
    # REFERENCE  OpenColorIO's Camera Rec.709 uses alpha 1.09929...; the standard prints 1.099.
    # TOLERANCE  the difference of these constants, below 5e-4 of 1.0.
    grey = np.full((1, 1, 3), 0.409, np.float32)
    found = linear_processor("Camera Rec.709", "bt709")(grey)
    np.testing.assert_allclose(found, find_curve("bt709").decode(grey), atol=5e-4)


def test_display_is_the_configurations_own():
    # REFERENCE  OpenColorIO's own display transform. TOLERANCE  single precision.
    config = ocio.Config.CreateFromBuiltinConfig(BUILTIN_CONFIG)
    display, view = "sRGB - Display", "Un-tone-mapped"
    light = RNG.random((4, 5, 3)).astype(np.float32)
    theirs = light.copy()
    shown = ocio.DisplayViewTransform(src="ACEScg", display=display, view=view)
    config.getProcessor(shown).getDefaultCPUProcessor().applyRGB(theirs)
    np.testing.assert_allclose(display_processor(display, view, "ap1")(light), theirs, atol=2e-5)
    with pytest.raises(SettingError, match=r"it has: .*Un-tone-mapped"):
        display_processor(display, "vivid", "ap1")
    with pytest.raises(SettingError, match="the configuration has: sRGB - Display"):
        display_processor("cinema", view, "ap1")


# --- configurations --------------------------------------------------------------------------------


def make_config(path, *, role=True):
    config = ocio.Config.CreateRaw()
    config.setName("little")
    for name, gamma in (("house linear", 1.0), ("house video", 2.2)):
        space = ocio.ColorSpace(name=name)
        power = ocio.ExponentTransform([gamma] * 3 + [1.0])
        space.setTransform(power, ocio.COLORSPACE_DIR_TO_REFERENCE)
        config.addColorSpace(space)
    if role:
        config.setRole("aces_interchange", "house linear")
    path.write_text(config.serialize())
    return path


def test_a_named_configuration_is_used(tmp_path):
    path = make_config(tmp_path / "little.ocio")
    assert resolve_colour("house video", config=path) == ResolvedColour("gamma22", "ap0")
    with pytest.raises(SettingError):
        resolve_colour("house video")
    assert config_id(path) != config_id()


def test_the_environment_names_a_configuration(tmp_path, monkeypatch):
    monkeypatch.setenv("OCIO", str(make_config(tmp_path / "little.ocio")))
    assert "house video" in list_spaces()
    assert config_id().startswith("little ")
    monkeypatch.setenv("OCIO", f"ocio://{BUILTIN_CONFIG}")
    assert config_id().startswith(BUILTIN_CONFIG)


def test_bad_configurations_are_one_line(tmp_path):
    with pytest.raises(MissingInput, match="no such colour configuration"):
        list_spaces(tmp_path / "none.ocio")
    (tmp_path / "bad.ocio").write_text("not: [a config")
    with pytest.raises(UnreadableInput, match="is not a colour configuration") as caught:
        list_spaces(tmp_path / "bad.ocio")
    assert "\n" not in str(caught.value)
    with pytest.raises(SettingError, match="no role aces_interchange"):
        resolve_colour("house video", config=make_config(tmp_path / "roleless.ocio", role=False))


def test_the_identity_does_not_depend_on_the_process():
    code = "from lightstack.files.read.colour import config_id; print(config_id())"
    other = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert other.stdout.strip() == config_id()


def test_importing_does_not_load_opencolorio():
    code = (
        "import sys, lightstack.files.read.colour as c; c.resolve_colour('slog3'); "
        "print('PyOpenColorIO' in sys.modules)"
    )
    other = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert other.stdout.strip() == "False"
