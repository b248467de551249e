"""What artists hand in by mistake, one row each: an exit code, one line that says what is wrong and with which file.

Every row runs with ``--json`` too: the same line must come back as an object on stdout, with nothing beside it.
"""

import json
import os
import re

import pytest
from bad_files import ENDINGS, make_footage
from cli_helpers import call

NO_MOVIE = "is not a movie that can be read.*expected a complete movie"
TRUNCATED = "is (truncated|not a readable)"
ROWS = [  # command line in the folder of footage, words that must stand in the line, in order
    # nothing there, or something of another kind
    ("plate missing.mov -o out", r"missing\.mov: nothing is there; check the path"),
    ("plate missing.####.exr -o out", r"missing\.####\.exr.*(no|nothing)"),
    ("plate missing.%04d.exr -o out", r"missing\.%04d\.exr.*(no|nothing)"),
    ("plate nothing -o out", r"nothing: holds no stills .*\.exr.*expected"),
    ("plate folder.mkv -o out", r"folder\.mkv: holds no stills"),
    ("plate good.mkv --empty missing.mov -o out", r"missing\.mov: nothing is there"),
    ("inspect missing.mov", r"missing\.mov: nothing is there"),
    ("inspect nothing", r"nothing: holds no stills"),
    ("clean missing.mov -o out/c.exr", r"missing\.mov: nothing is there"),
    ("clean nothing -o out/c.exr", r"nothing: holds no stills"),
    ("flash missing.mov", r"missing\.mov: nothing is there; name a movie"),
    ("flash nothing", r"nothing: holds no stills"),
    ("element missing.mov --empty good.mkv -o out", r"missing\.mov: nothing is there"),
    ("element good.mkv --empty missing.mov -o out", r"missing\.mov: nothing is there"),
    ("grain measure missing.mov -o out/g.json", r"missing\.mov: nothing is there"),
    ("grain measure nothing -o out/g.json", r"nothing: holds no stills"),
    ("grain apply good.png --profile missing.json -o out/a.exr", r"missing\.json: .*(no such|nothing)"),
    ("new missing", r"missing: .*(no such|nothing)"),
    ("new good.mkv", r"good\.mkv: .*folder"),
    ("new nothing", r"nothing: holds no movies"),
    ("new folder.mkv", r"folder\.mkv: holds no movies"),
    ("build missing.toml", r"missing\.toml: no such shot file"),
    ("build folder.toml", r"folder\.toml: is a folder, a shot file was expected"),
    ("preview missing.toml", r"missing\.toml: no such shot file"),
    ("render folder.toml", r"folder\.toml: is a folder"),
    ("review missing.toml", r"missing\.toml: no such shot file"),
    ("curve folder.toml", r"folder\.toml: is a folder"),
    ("handover missing.toml out", r"missing\.toml: no such shot file"),
    ("match missing.toml --target good.png", r"missing\.toml: no such shot file"),
    ("inspect missing.toml", r"missing\.toml: no such shot file"),
    ("flash missing.toml", r"missing\.toml: no such shot file"),
    # empty files
    *((f"plate empty.{one} -o out", rf"empty\.{one}: is empty \(0 bytes\); copy it again") for one in ENDINGS),
    ("inspect empty.mov", r"empty\.mov: is empty"),
    ("clean empty.png -o out/c.exr", r"empty\.png: is empty"),
    ("flash empty.mp4", r"empty\.mp4: is empty"),
    ("element good.mkv --empty empty.mov -o out", r"empty\.mov: is empty"),
    ("grain measure empty.mkv -o out/g.json", r"empty\.mkv: is empty"),
    # a letter under another name
    *((f"plate letter.{kind} -o out", rf"letter\.{kind}: {NO_MOVIE}") for kind in ("mp4", "mov", "mkv", "usd", "wav")),
    *((f"plate letter.{kind} -o out", rf"letter\.{kind}: ") for kind in ("exr", "png", "tif", "dpx", "jpg")),
    ("inspect letter.mp4", rf"letter\.mp4: {NO_MOVIE}"),
    ("inspect letter.exr", r"letter\.exr: is no"),
    ("clean letter.png -o out/c.exr", r"letter\.png: "),
    ("flash letter.dpx --rate 25", r"letter\.dpx: "),
    ("grain apply letter.tif --profile good.csv -o out/a.exr", r"good\.csv: is not a grain profile"),
    ("build good.mkv", r"good\.mkv.*UTF-8"),
    ("build good.csv", r"good\.csv, line 1: is not valid TOML"),
    ("curve letter.exr", r"letter\.exr, line 1: is not valid TOML"),
    ("plate good.csv -o out", rf"good\.csv: {NO_MOVIE}"),
    # cut off in the middle
    ("plate cut.mkv -o out", r"cut\.mkv: frame \d+: .*truncated.*--keep-readable"),
    ("plate cut.mp4 -o out", rf"cut\.mp4: {NO_MOVIE}"),
    *((f"plate cut.{kind} -o out", rf"cut\.{kind}: {TRUNCATED}") for kind in ("exr", "png", "tif", "jpg")),
    ("inspect cut.mkv", r"cut\.mkv: frame \d+: .*--keep-readable"),
    ("clean cut.mkv -o out/c.exr", r"cut\.mkv: frame \d+: .*--keep-readable"),
    ("flash cut.mkv", r"cut\.mkv: frame \d+: .*--keep-readable"),
    ("plate cut_still -o out", r"s\.0004\.png: is truncated"),
    ("clean cut_still -o out/c.exr", r"s\.0004\.png: is truncated"),
    # what the trade would not film
    ("plate one.mkv -o out", r"one\.mkv: holds one frame"),
    ("inspect one.mkv", r"one\.mkv: holds one frame"),
    ("clean one.mkv -o out/c.exr", r"one\.mkv: 1 usable frame, median needs at least 3"),
    ("clean two.mkv -o out/c.exr --method sigma_clip", r"two\.mkv: 2 usable frames, sigma_clip needs at least 5"),
    ("flash one.mkv", r"one\.mkv: one frame is not enough"),
    ("grain measure one.mkv -o out/g.json", r"one(\.mkv)?: .*frame"),
    ("plate dot.mkv -o out", r"dot\.mkv: is 1 x 1 pixels, at least 32 x 32"),
    ("inspect dot.png", r"dot\.png: is 1 x 1 pixels"),
    ("clean dot.exr -o out/c.exr", r"dot\.exr: is 1 x 1 pixels"),
    ("flash dot.mkv", r"dot\.mkv: is 1 x 1; 16 pixels a side"),
    ("plate small.png -o out", r"small\.png: is 20 x 20 pixels"),
    ("plate dark.mkv -o out", r"dark\.mkv: the light never changes"),
    ("plate white.mkv -o out", r"white\.mkv: every pixel of every frame is clipped"),
    ("plate two.mkv -o out", r"two\.mkv: no frames without the lamp and no empty take"),
    ("plate good.mkv --empty square.mkv -o out", r"square\.mkv: .*64 x 64.*64 x 48"),
    ("clean good.mkv square.mkv -o out/c.exr", r"square(\.mkv)?: .*64 x 64"),
    ("plate sound_only.mp4 -o out", r"sound_only\.mp4: holds no pictures"),
    ("inspect good.wav", r"good\.wav: holds no pictures"),
    ("flash sound_only.mp4", r"sound_only\.mp4: holds no pictures"),
    ("plate no_frames.mkv -o out", rf"no_frames\.mkv: {NO_MOVIE}"),
    # pictures without a picture
    ("plate all_nan.exr -o out", r"all_nan\.exr: 3072 pixels are NaN or infinite, the first at x 0, y 0"),
    ("clean infinite.exr -o out/c.exr", r"infinite\.exr: .*x 9, y 7"),
    ("plate depth_only.exr -o out", r"depth_only\.exr: holds Z; R, G, B or one grey channel expected"),
    ("plate no_blue.exr -o out", r"no_blue\.exr: holds R, G; R, G, B or one grey channel expected"),
    ("clean red_only.exr -o out/c.exr", r"red_only\.exr: holds R; R, G, B or one grey channel expected"),
    ("inspect chroma.exr", r"chroma\.exr: holds luminance and chroma channels; write it again as R, G, B"),
    ("plate deep.exr -o out", r"deep\.exr: holds deep or volume data; write it again as a flat picture"),
    ("plate ids.exr -o out", r"ids\.exr: holds uint; 8/16-bit codes or floats expected"),
    ("plate inks.tif -o out", r"inks\.tif: holds amounts of ink \(CMYK\); write it again as R, G, B"),
    ("inspect inks.jpg", r"inks\.jpg: holds amounts of ink \(CMYK\)"),
    ("clean lab.tif -o out/c.exr", r"lab\.tif: holds L\*a\*b\*; write it again as R, G, B"),
    ("plate words.tif -o out", r"words\.tif: holds uint; 8/16-bit codes or floats expected"),
    ("plate fields.mov -o out", r"fields\.mov: frame 1: is interlaced, progressive frames are expected"),
    ("clean fields.mov -o out/c.exr", r"fields\.mov: frame 1: is interlaced"),
    ("inspect askew.mp4", r"askew\.mp4: is tagged to be shown turned by no quarter turn \(30 degrees\); name the turn"),
    ("plate ictcp.mp4 -o out", r"ictcp\.mp4: its colour matrix \(number 14 of ITU-T H\.273\) is not read"),
    # numbered stills
    ("plate gaps -o out", r"gaps.*: frame 3 missing \(frames 1-5 expected\); supply"),
    ("inspect gaps", r"gaps.*: frame 3 missing"),
    ("plate gaps/s.####.png -o out", r"frame 3 missing"),
    ("plate sizes -o out", r"s\.0004\.png: is 64 x 40, the take began as 64 x 48"),
    ("clean sizes -o out/c.exr", r"s\.0004\.png: is 64 x 40"),
    ("clean turned -o out/c.exr", r"s\.0004\.png: its turn in degrees is 180, the take began with 0; one kind"),
    ("plate doubles -o out", r"doubles: frame 1 is there twice, s\.0001\.png and s\.01\.png"),
    ("plate mixed -o out", r"mixed: .*(png.*tif|tif.*png)"),
    ("plate names -o out", r"names: .*[ab]\..*[ab]\."),
    # texts and tables that are none
    ("build utf16.toml", r"utf16\.toml, line 1: is not UTF-8 text; save the shot file as UTF-8"),
    ("build latin.toml", r"latin\.toml, line 2: is not UTF-8"),
    ("curve large.toml", r"large\.toml: .*(too large|the limit)"),
    ("grain apply good.png --profile not.json -o out/a.exr", r"not\.json: is not"),
    ("grain apply good.png --profile list.json -o out/a.exr", r"list\.json: is not a grain profile"),
    ("grain apply good.png --profile other.json -o out/a.exr", r"other\.json: is not a grain profile"),
    ("plate good.mkv --colour measured --response not.json -o out", r"not\.json: "),
    ("inspect good.mkv --colour measured --response list.json", r"list\.json: "),
    ("clean good.mkv --colour measured --response no.json -o out/c.exr", r"--response no\.json: no such file"),
    ("flash good.mkv --colour measured --response nothing", r"--response nothing: is a folder"),
    ("clean good.mkv --ocio missing.ocio -o out/c.exr", r"--ocio missing\.ocio: no such file"),
    ("clean good.mkv --ocio good.csv --colour surely_none -o out/c.exr", r"good\.csv: is not a colour configuration"),
    # settings that fit no footage
    ("plate good.mkv --keys 12,999 -o out", r"good\.mkv: .*999.*1 to 20"),
    ("plate good.mkv --exclude 90-99 -o out", r"good\.mkv: .*9\d.*1 to 20"),
    ("plate good.mkv --keys 2:5 -o out", r"good\.mkv: .*2:5"),
    ("clean good.mkv --frames 90-99 -o out/c.exr", r"good\.mkv: .*9\d.*1 to 20"),
    ("flash good.mkv --frames 90-99", r"--frames 90-99: good\.mkv has frames 1 to 20"),
    ("flash good.png", r"good\.png: .*(--rate|one frame)"),
    ("grain measure good.mkv --frames 90-99 -o out/g.json", r"good\.mkv: .*9\d.*1 to 20"),
    ("plate good.mkv --memory 1KiB -o out", r"good\.mkv: .*at least \d+ MiB"),
    ("plate good.mkv -o good.png", r"good\.png: is a file, an output folder was expected"),
    ("plate good.mkv -o nothing/../sizes", r"holds files that lightstack did not write"),
    ("clean good.mkv -o out/c.png", r"--out out/c\.png: .*\.exr"),
    ("clean good.mkv -o nothing", r"--out nothing: is a folder"),
    ("clean good.exr -o good.exr", r"--out good\.exr: would be written over"),
    ("grain measure good.mkv -o out/g.txt", r"--out out/g\.txt: .*\.json"),
    ("element good.mkv --empty good.mkv -o good.png", r"--out good\.png: is a file"),
    ("flash good.mkv -o good.png", r"--out good\.png: is a file"),
    ("plan --mains 55", r"--mains 55: expected 50 or 60"),
    ("plan --rate 0", r"--rate 0"),
    ("plan --gel purpel", r"--gel purpel"),
    ("plan --html nothing", r"nothing: .*(folder|directory)"),
]  # fmt: skip


HEAD = """[shot]
name = "s"
out = "{out}"
[takes.hero]
path = "good.mkv"
[[sweep]]
name = "v"
path = "good.mkv"
{sweep}
[[light]]
{light}
"""
TRAVELS = 'using = "path"\npath = {{ track = "{}" }}'
SHOTS = [  # command, what differs in the sweep, what in the light and after it, words that must stand in the line
    # tables
    ("curve", "", '[light.mix]\ntable = "missing.csv"', r"missing\.csv: nothing is there"),
    ("curve", "", '[light.mix]\ntable = "a\\nb.csv"', r"a b\.csv: nothing is there"),
    ("curve", "", '[light.mix]\ntable = "a\\u0000b.csv"', r"table = .*: holds a zero byte, which no file's name can"),
    ("curve", "", '[light.mix]\ntable = "nothing"', r"nothing: is a folder; name a table"),
    ("curve", "", '[light.mix]\ntable = "good.png"', r"good\.png: is not UTF-8 text"),
    ("curve", "", '[light.mix]\ntable = "utf16.csv"', r"utf16\.csv: is not UTF-8 text; save it as a CSV table"),
    ("curve", "", '[light.mix]\ntable = "empty.csv"', r"empty\.csv: begins with nothing; expected frame,gain"),
    ("curve", "", '[light.mix]\ntable = "columns.csv"', r"columns\.csv: begins with time,level; expected frame,gain$"),
    ("curve", "", '[light.mix]\ntable = "decimal_comma.csv"', r"begins with frame;gain; .*part cells by commas"),
    ("curve", "", '[light.mix]\ntable = "words.csv"', r"words\.csv, line 2: 1001,bright; expected a frame and a gain"),
    ("curve", "", '[light.mix]\ntable = "short_row.csv"', r"short_row\.csv, line 2: 1001; expected a frame and a gain"),
    ("curve", "", '[light.mix]\ntable = "nan.csv"', r"nan\.csv: holds a negative gain or none"),
    ("curve", "", '[light.mix]\ntable = "infinite.csv"', r"infinite\.csv: holds a negative gain or none"),
    ("curve", "", '[light.mix]\ntable = "negative.csv"', r"negative\.csv: holds a negative gain or none"),
    ("curve", "", '[light.mix]\ntable = "twice.csv"', r"twice\.csv: frames must be consecutive"),
    ("curve", "", '[light.mix]\ntable = "gap.csv"', r"gap\.csv: frames must be consecutive.*fill its gaps"),
    ("curve", "", '[light.mix]\ntable = "no_rows.csv"', r"no_rows\.csv: frames must be consecutive, at least one"),
    ("curve", "", '[light.mix]\ntable = "huge.csv"', r"huge\.csv"),
    ("curve", "", 'using = "stills"\nweights = "missing.csv"', r"missing\.csv: nothing is there"),
    ("curve", "", 'using = "stills"\nweights = "columns.csv"', r"begins with time,level; expected still,weight"),
    ("build", "", 'using = "stills"\nweights = "weights_negative.csv"', r"line 2: weight -1 is negative"),
    ("build", "", 'using = "stills"\nweights = "weights_twice.csv"', r"line 3: still 9 was given before"),
    ("curve", "", TRAVELS.format("nothing"), r"nothing: is a folder"),
    ("build", "", TRAVELS.format("track_columns.csv"), r"begins with frame,x; expected frame,x,y"),
    ("build", "", TRAVELS.format("track_nan.csv"), r"track_nan\.csv, line 2: .*expected frame,x,y as numbers"),
    ("build", "", TRAVELS.format("track_back.csv"), r"line 3: frame 1001 follows 1002; frames must ascend"),
    # what is followed
    ("curve", "", '[[light.mix.follow]]\nsound = "missing.wav"', r"missing\.wav: (nothing is there|no such file)"),
    ("curve", "", '[[light.mix.follow]]\nsound = "empty.wav"', r"empty\.wav: its sound cannot be read"),
    ("curve", "", '[[light.mix.follow]]\nsound = "letter.wav"', r"letter\.wav: its sound cannot be read"),
    ("curve", "", '[[light.mix.follow]]\nsound = "good.png"', r"good\.png: holds no sound"),
    ("curve", "", '[[light.mix.follow]]\nsound = "one.mkv"', r"one\.mkv: holds no sound; name a sound file"),
    ("curve", "", '[[light.mix.follow]]\nsound = "nothing"', r"nothing: is a folder; name a sound file"),
    ("curve", "", '[[light.mix.follow]]\npath = "missing.####.png"', r"missing\.####\.png: no still"),
    ("curve", "", '[[light.mix.follow]]\npath = "letter.mp4"', rf"letter\.mp4: {NO_MOVIE}"),
    ("curve", "", '[[light.mix.follow]]\npath = "good.exr"', r"good\.exr: has shot frames 1 to 1, the mix asks for"),
    ("curve", "", '[[light.mix.follow]]\ntake = "empty"',
     r"\[\[light\]\] mix\.follow\.take = \"empty\": there is no such take"),
    ("curve", "", '[[light.mix.follow]]\ntake = "hero"\nmatte = "small.png"',
     r"small\.png: is 20 x 20, the hero is 64 x 48"),
    ("curve", "", '[[light.mix.follow]]\ntake = "hero"\nmatte = "all_nan.exr"', r"all_nan\.exr: holds NaN or infinity"),
    ("curve", "", '[[light.mix.follow]]\ntake = "hero"\nmatte = "nothing"', r"nothing: is a folder; name a mask"),
    # pictures of masks and mattes, plates, profiles
    *(("build", "", write.format(name), rf"{re.escape(name)}: {said}")
      for write in ('[[patch]]\nfrom = "v"\nmask = "{}"', '[holdout]\nfrom = "none"\nmatte = {{ path = "{}" }}',
                    '[holdout]\nfrom = "v"\ninclude = "{}"', 'figure_mask = "{}"\n[holdout]\nfrom = "v"')
      for name, said in (("empty.png", "is not a readable mask"), ("letter.tif", "is not a readable mask"),
                         ("small.png", "is 20 x 20, the hero is 64 x 48"), ("missing.png", "nothing is there"),
                         ("inks.tif", r"holds amounts of ink \(CMYK\)"), ("deep.exr", "holds deep or volume data"),
                         ("ids.exr", "holds uint; 8/16-bit codes or floats expected"))),
    ("build", "", '[[patch]]\nfrom = "missing.mov"\nmask = "good.png"', r"missing\.mov"),
    ("build", "", '[[patch]]\nfrom = "surely"\nmask = "good.png"',
     r"from = \"surely\": there is no such take or sweep"),
    ("build", "", '[grain]\nprofile = "other.json"', r"other\.json: is not a grain profile"),
    ("build", "", '[grain]\nprofile = "missing.json"', r"missing\.json"),
    # references, names, frames
    ("curve", "", 'from = "w"', r"shot\.toml, line \d+: \[\[light\]\] from = \"w\": there is no such sweep; .* v"),
    ("curve", "", 'group = "g"', r"\[\[light\]\] group = \"g\": there is no such group of v; there are stretch_1"),
    ("curve", "group = [{ name = 'left', frames = [1, 2] }]", 'group = "lft"', r"group = \"lft\".*the nearest is left"),
    ("curve", "group = [{ name = 'left', frames = [] }]", 'group = "left"',
     r"group\.frames = \[\]: expected \[first, last\]"),
    ("curve", "group = [{ name = 'a', frames = [9, 3] }]", "", r"group\.frames = .*must run forwards"),
    ("curve", "group = [{ name = 'a', frames = [1, 2] }, { name = 'a', frames = [1, 2] }]", "",
     r'two groups are called "a"'),
    ("build", "group = [{ name = 'a', frames = [90, 99] }]", "", r"good\.mkv: group names frame 90, .*1 to 20"),
    ("build", 'trim = { "99" = { gain = 0 } }', "", r"good\.mkv: trim names frame 99"),
    ("curve", "", 'name = "a"\n[[light]]\nname = "a"', r"\[\[light\]\] 2 name = \"a\": is used twice; rename one"),
    ("curve", "", 'name = "a"\n[[light]]\nname = "A"', r'differs from "a" by capitals only'),
    ("curve", "", 'name = "V"', r'name = "V": differs from \[\[sweep\]\] "v" by capitals only; write both alike, or'),
    ("curve", "", '[[element]]\npath = "good.mkv"\nname = "V"', r'differs from \[\[sweep\]\] "v" by capitals only'),
    ("curve", "", '[[patch]]\nfrom = "v"\nmask = "good.png"\nname = "Hero"',
     r'differs from the take "hero" by capitals only; rename one'),
    ("curve", "", '[[sweep]]\nname = "hero"\npath = "good.mkv"', r'name = "hero": is the name of a take too; rename'),
    ("curve", "", '[clean]\n[[sweep]]\nname = "clean"\npath = "good.mkv"', r'"clean": is the name of a take too'),
    ("curve", "", '[[element]]\npath = "good.mkv"\nname = "Light"', r"would be called as the shot's own, light;"),
    ("curve", "", '[[element]]\npath = "good.mkv"\nname = "a_shadow"\n[[element]]\npath = "good.mkv"\nname = "a"',
     r'name = "a": its pictures would be called as those of a_shadow, a_shadow; rename it'),
    ("curve", "", "coverge = 1", r"\[\[light\]\] coverge is unknown"),
    ("curve", "coverge = 1", "", r"\[\[sweep\]\] coverge is unknown; the nearest valid key is coverage"),
    ("curve", "", "[camera]\nfocal_mm = 35", r"\[camera\] .* is missing and required"),
    ("curve --light w", "", "", r"--light w: shot\.toml has no such light; there are v"),
    ("match --target good.png --light w", "", "", r"--light w: shot\.toml has no such light; it has v"),
    ("match --target missing.png", "", "", r"--target missing\.png: nothing is there"),
    ("match --target nothing", "", "", r"--target nothing: is a folder"),
    ("render --frames 9000-9001", "", "", r"--frames 9000-9001: the shot has frames 1001 to 1020"),
    ("handover", "", "", r"nothing is built there; run `lightstack build shot\.toml` first"),
    ("review", "", "", r"nothing is built|build"),
    ("preview", 'path = "x"', "", r"shot\.toml, line 9: is not valid TOML: cannot overwrite a value"),
]  # fmt: skip


@pytest.mark.parametrize("row", SHOTS, ids=[" ".join(row[:3]).replace("\n", " ") for row in SHOTS])
def test_a_bad_shot_is_told_in_one_line(footage, monkeypatch, tmp_path, row):
    command, sweep, light, said = row
    monkeypatch.chdir(footage)
    out = tmp_path / "out"
    text = HEAD.format(out=out, sweep=sweep, light=light)
    (footage / "shot.toml").write_text(text)
    name, *options = command.split()
    beside = [str(tmp_path / "given")] if name == "handover" else []
    check_answer(call([name, "shot.toml", *beside, *options, "--json"], monkeypatch), said)
    assert not [path for path in out.glob("*") if path.name != ".lightstack"]  # no half of a result is left


def check_answer(answer, said):
    """One line on stderr with certain words, and the same as JSON on stdout."""
    code, out, err = answer
    lines = err.splitlines()
    assert code == 1 and len(lines) == 1, (code, out, err)
    assert lines[0].startswith("lightstack: ")
    line = lines[0].removeprefix("lightstack: ")
    assert re.search(said, line), line
    assert len(line) < 700 and line.isprintable()
    told = json.loads(out)
    assert told == {"ok": False, "exit": 1, "error": {"kind": told["error"]["kind"], "line": line}}


@pytest.fixture(scope="module")
def footage(tmp_path_factory):
    return make_footage(tmp_path_factory.mktemp("footage"))


@pytest.mark.parametrize("words, said", ROWS, ids=[words for words, _ in ROWS])
def test_bad_input_is_told_in_one_line(footage, monkeypatch, words, said):
    monkeypatch.chdir(footage)
    before = sorted(os.listdir(footage))
    check_answer(call([*words.split(), "--json"], monkeypatch), said)
    assert sorted(os.listdir(footage)) == before  # nothing is left behind


@pytest.mark.skipif(os.geteuid() == 0, reason="may read everything")
def test_a_file_that_may_not_be_read(footage, monkeypatch):
    monkeypatch.chdir(footage)
    code, _, err = call(["plate", "locked.mkv", "-o", "out"], monkeypatch)
    assert code == 1 and len(err.splitlines()) == 1 and "locked.mkv" in err
