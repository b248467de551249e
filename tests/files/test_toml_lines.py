"""Lines of keys, against a marker put beside each key."""

import pytest

from lightstack.files.shot.toml_lines import find_line

TEXT = """\
# [shot]
top = 1
[shot]
name = "a # [not a header] b"
"quoted key" = 'it''s'
dotted.inner = 3
[[sweep]]
path = [
  "a.mov",  # block = 1
  "b]{.mov",
]
block = [
  { frames = [1, 2], polygon = [
      [0, 0], [1, 0], [1, 1]] },
  { frames = [3, 4],
    clear = true },
]
[sweep.trim]
12 = { gain = 1 }
[[ sweep ]]
path = \"\"\"
block = 7
[light]
\"\"\"
coverage = 1
[[light]]
[light.mix]
unit = "gain"
"""


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("top",), 2),
        (("shot",), 3),
        (("shot", "name"), 4),
        (("shot", "quoted key"), 5),
        (("shot", "dotted", "inner"), 6),
        (("sweep",), 7),
        (("sweep", 0, "path"), 8),
        (("sweep", 0, "path", 1), 10),
        (("sweep", 0, "block"), 12),
        (("sweep", 0, "block", 0, "polygon"), 13),
        (("sweep", 0, "block", 0, "polygon", 2), 14),
        (("sweep", 0, "block", 1, "frames"), 15),
        (("sweep", 0, "block", 1, "clear"), 16),
        (("sweep", 0, "trim", "12", "gain"), 19),
        (("sweep", 1), 20),
        (("sweep", 1, "coverage"), 25),
        (("light", 0, "mix", "unit"), 28),
        (("light", 0, "mix", "missing"), 27),
        (("sweep", 1, "missing"), 20),
        (("nowhere",), None),
    ],
)
def test_lines(path, line):
    assert find_line(TEXT, path) == line


@pytest.mark.parametrize(
    "text", ["", "= = =\n[[[", "a = [1, [2", "a = {b", "[x\ny = ", "\x00", "a = [,,]\nb = 1"]
)
def test_text_that_is_no_toml_ends_quietly(text):
    assert find_line(text, ("a", 0, "b")) in (None, 1)  # the line where a begins, or none
