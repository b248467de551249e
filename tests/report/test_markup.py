"""Pieces of every page: pictures, plots and the policy that forbids all else."""

import base64
import hashlib
import io

import numpy as np
from PIL import Image

from lightstack.report.markup import encode_picture, make_environment, make_policy, view_plot


def test_a_picture_becomes_an_address_that_another_library_reads_back():
    # REFERENCE  Pillow's JPEG decoder.  TOLERANCE  quality 93 without chroma subsampling: 3 codes on a smooth picture.
    picture = np.repeat(np.linspace(20, 220, 64).astype(np.uint8)[None, :, None], 48, axis=0).repeat(3, axis=2)
    kind, data = encode_picture(picture).split(",")
    assert kind == "data:image/jpeg;base64"
    back = np.asarray(Image.open(io.BytesIO(base64.b64decode(data))), np.int16)
    assert np.abs(back - picture).max() <= 3


def test_a_picture_of_nothing_but_noise_has_room(capfd):
    # optimal codes would have a byte per pixel in Pillow, and no more
    picture = np.random.default_rng(1).integers(0, 256, (300, 400, 3), np.uint8)
    back = Image.open(io.BytesIO(base64.b64decode(encode_picture(picture).split(",")[1])))
    assert np.abs(np.asarray(back, np.int16) - picture).mean() < 8
    assert capfd.readouterr() == ("", "")


def test_the_policy_names_the_hash_of_the_style_and_nothing_from_outside():
    style, policy = make_policy()
    digest = base64.b64encode(hashlib.sha256(str(style).encode()).digest()).decode()
    assert f"'sha256-{digest}'" in policy
    assert policy.startswith("default-src 'none'")
    assert "http" not in policy


def test_a_plot_is_drawn_for_wide_narrow_and_paper():
    asked = []
    view = view_plot(lambda ground, narrow: asked.append((ground, narrow)) or b"<svg/>")
    assert asked == [("dark", False), ("dark", True)]  # the wide one is put on paper as it is
    assert view.wide.startswith("data:image/svg+xml;base64,")


def test_what_is_printed_is_escaped():
    shown = make_environment().from_string("{{ name }}").render(name="<b>\x07</b>")
    assert shown == "&lt;b&gt;\ufffd&lt;/b&gt;"
