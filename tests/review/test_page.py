"""The review page under an artist's hands: in a real browser, on a made shot, by mouse and by keys alone."""

import time
from pathlib import Path

import page_browser
import pytest
from page_browser import wait_for, wait_until_drawn
from page_shot import FIRST, LAST, MadeReview

AXE = (Path(__file__).parent / "axe" / "axe.min.js").read_text()
# WCAG 2.2 A and AA, as far as a machine can tell
RULES = "{ runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa'] }"


@pytest.fixture(scope="module")
def browser():
    with page_browser.open_browser() as browser:
        yield browser


@pytest.fixture(scope="module")
def opened(browser):
    """A page and its shot, for tests that leave both as they found them, or do not mind."""
    review = MadeReview(name="<img src=x onerror=alert(1)>\"'&amp;\u2028</script>")
    with page_browser.open_page(browser, review) as page:
        yield page, review


def find_violations(page):
    page.evaluate(f"() => {{ if (!window.axe) {{ {AXE} }} }}")
    found = page.evaluate(f"() => axe.run(document, {RULES})")["violations"]
    return [(one["id"], [node["html"][:120] for node in one["nodes"][:3]]) for one in found]


def points(page):
    return page.evaluate("review.scene.edits.light.lamp?.mix?.points ?? null")


def start_anew(page):
    page.evaluate("while (review.history.past.length) review.undo(); review.jumpTo(1012)")
    page.evaluate("Object.assign(review.ui, { look: 'relit', against: 'none', alone: 0, light: 'lamp' })")
    page.evaluate("review.refresh()")
    page.click("[data-tab=sheet]")
    wait_until_drawn(page)


def test_a_dimmer_dims_and_comes_back(opened):
    page, _ = opened
    start_anew(page)
    before = page.evaluate("review.blend.readLinear(10, 14)")
    dimmer = page.locator(".still input").first
    dimmer.focus()
    for _ in range(3):
        page.keyboard.press("PageDown")
    assert page.evaluate("review.edits.sweep.sweep_lamp.trim[10]") < 0.8
    page.locator(".still .pick").first.focus()
    page.keyboard.press("x")
    wait_until_drawn(page)
    page.evaluate("review.update()")
    after = page.evaluate("review.blend.readLinear(10, 14)")
    assert after[0] < before[0]
    assert "crossed" in page.locator(".still").first.get_attribute("class")
    for _ in range(4):
        page.keyboard.press("Control+z")
    assert page.evaluate("review.edits.sweep.sweep_lamp ?? null") is None
    page.keyboard.press("Control+Shift+z")
    assert page.evaluate("review.history.past.length") == 1


def test_a_mix_point_is_dragged(opened):
    page, review = opened
    start_anew(page)
    review.asked.clear()
    box = page.locator(".point").nth(1).bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 90, y + 10)
    page.mouse.move(x + 120, y + 20, steps=3)
    page.mouse.up()
    frame, value = points(page)[1][:2]
    assert frame > 1012 and value < 0.5
    wait_for(page, f"Math.abs(review.gains.lamp?.[{frame - FIRST}] - {value}) < 1e-6")
    sent = ("mix", "lamp", {"points": points(page)})  # only what was changed
    until = time.monotonic() + 10
    while sent not in review.asked:  # what lies between two points is shown before the answer comes
        assert time.monotonic() < until, review.asked
        page.wait_for_timeout(20)
    page.keyboard.press("Control+z")  # the whole drag is one step
    assert points(page) is None
    assert page.evaluate("review.gains.lamp ?? null") is None


def test_the_light_is_moved(opened):
    page, review = opened
    start_anew(page)
    review.asked.clear()
    page.click("[data-tab=floor]")
    page.click("#lamp-here")
    wait_for(page, "Boolean(review.travel.lamp)")
    knot = page.locator(".knot").first
    wait_until_drawn(page)
    knot.focus()
    before = page.evaluate("review.edits.light.lamp.path.points[0]")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowDown")
    after = page.evaluate("review.edits.light.lamp.path.points[0]")
    assert after[0] == before[0] == 1012 and after[1] > before[1] and after[2] > before[2]
    wait_until_drawn(page)
    box = page.locator(".knot").first.bounding_box()
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.mouse.down()
    page.mouse.move(box["x"] + 40, box["y"] - 20, steps=3)
    page.mouse.up()
    assert page.evaluate("review.edits.light.lamp.path.points[0][2]") < after[2]
    wait_until_drawn(page)
    assert [asked for asked in review.asked if asked[0] == "travel"]
    page.click("#no-path")
    assert page.evaluate("review.edits.light.lamp.using") == "plate"


def test_scrubbing_wiping_and_zoom(opened):
    page, _ = opened
    start_anew(page)
    page.locator("#picture").focus()
    page.keyboard.press("End")
    wait_until_drawn(page)
    page.keyboard.press("ArrowLeft")
    wait_until_drawn(page)
    assert page.evaluate("[review.ui.frame, review.picture.on]") == [LAST - 1, LAST - 1]
    page.keyboard.press("w")
    wait_until_drawn(page)
    page.locator("#wipe").focus()
    page.keyboard.press("ArrowLeft")
    assert page.get_attribute("#wipe", "aria-valuenow") == "48"
    page.select_option("#zoom", "4")
    wait_until_drawn(page)
    assert page.evaluate("review.picture.window.scale") == 4
    page.locator("#picture").hover(position={"x": 300, "y": 200})
    wait_for(page, "document.getElementById('under').textContent.includes('linear')")
    page.select_option("#zoom", "fit")
    page.select_option("#against", "none")
    wait_until_drawn(page)


def test_nothing_plays_by_itself_and_it_stops_at_the_end(opened):
    page, _ = opened
    start_anew(page)
    assert page.evaluate("review.player.running") is False
    page.evaluate(f"review.goTo({LAST - 2})")
    wait_until_drawn(page)
    page.locator("#picture").focus()
    page.keyboard.press(" ")
    wait_for(page, f"!review.player.running && review.ui.frame === {LAST}")
    assert page.locator("video, audio, [autoplay]").count() == 0


def test_states_switch_three_times_a_second_at_most(opened):
    page, _ = opened
    # REFERENCE WCAG 2.2, 2.3.1: no more than three flashes in any second; a fade of 0.34 s allows no more changes
    made = page.evaluate("""() => import('/limiter.js').then(({ Switcher, FADE_MS }) => {
      let clock = 0, due = [];
      const switcher = new Switcher(() => clock, (call, ms) => due.push([clock + ms, call]));
      const made = [];
      for (clock = 0; clock < 2000; clock += 10) {
        switcher.switch(() => made.push(clock));
        due.filter(([at]) => at <= clock).forEach(([, call]) => call());
        due = due.filter(([at]) => at > clock);
      }
      return { made, fade: FADE_MS };
    })""")
    gaps = [b - a for a, b in zip(made["made"], made["made"][1:], strict=False)]
    assert made["fade"] >= 300
    assert min(gaps) >= made["fade"] and len(gaps) >= 4
    assert all(sum(start <= at < start + 1000 for at in made["made"]) <= 3 for start in made["made"])


def test_names_are_only_ever_text(opened):
    page, review = opened
    assert page.text_content("#shot-name") == f"{review.name} v1" and "<img" in review.name
    start_anew(page)
    page.click("[data-tab=notes]")
    assert "<b>mind</b> the lamp" in page.inner_text("#notes")
    assert page.locator("#notes b, #notes i, h1 img").count() == 0


def test_writing_shows_the_difference_first_and_never_writes_over_another_change(browser):
    review = MadeReview()
    with page_browser.open_page(browser, review) as page:
        assert page.is_disabled("#write")
        page.locator(".still input").nth(2).fill("0.5")
        page.click("#write")
        page.wait_for_selector("#write-now")
        assert '"trim": {"30": {"gain": 0.5}}' in page.inner_text(".diff")
        assert find_violations(page) == []
        review.text += "# somebody else was here\n"
        page.click("#write-now")
        page.wait_for_selector("#read-again")
        assert not [asked for asked in review.asked if asked[0] == "write"]
        assert page.evaluate("review.edits.sweep.sweep_lamp.trim[30]") == 0.5
        page.click("#read-again")
        page.wait_for_selector("#write-now")
        page.click("#write-now")
        wait_for(page, "document.getElementById('writing-title').textContent === 'Written'")
        assert ("write", {"sweep": {"sweep_lamp": {"trim": {"30": {"gain": 0.5}}}}}) in review.asked
        assert page.evaluate("review.history.past.length") == 0
        page.get_by_role("button", name="Build now").click()
        wait_for(page, "document.querySelector('#writing [role=status]')?.textContent.includes('3 of 10')")
        page.click("#stop-build")
        wait_for(page, "document.querySelector('#writing [role=status]').textContent === 'Stopped.'")


def test_the_caution_stands_before_the_picture(browser):
    with page_browser.open_page(browser, MadeReview(flash="failed"), ready=False) as page:
        page.wait_for_selector("#gate[open]")
        assert "frames 1005 to 1012" in page.inner_text("#gate")
        assert page.evaluate("document.activeElement.textContent") == "Keep it hidden"
        assert find_violations(page) == []
        page.keyboard.press("Escape")
        assert page.evaluate("getComputedStyle(document.getElementById('picture')).visibility") == "hidden"
        page.click("#play")
        page.wait_for_selector("#gate[open]")
        assert page.evaluate("[review.player.running, review.picture.drawn]") == [False, None]
        page.keyboard.press("Escape")
        page.click("#unhide")
        page.click("#confirm")
        wait_until_drawn(page)
        assert page.evaluate("getComputedStyle(document.getElementById('picture')).visibility") == "visible"
        # what was never checked is held back as well, and a changed mix asks before it plays
        assert page.evaluate("review.shot.flash.state = 'not checked', review.gate.mayShow()") is False
        page.evaluate("review.shot.flash.state = 'clear', review.addPoint()")
        assert page.evaluate("[review.gate.mayShow(), review.gate.mayPlay()]") == [True, False]


def test_the_keyboard_alone_reaches_everything(opened):
    page, _ = opened
    start_anew(page)
    page.evaluate("document.getElementById('look').focus()")
    reached = {"look"}
    for _ in range(70):
        page.keyboard.press("Tab")
        reached.add(page.evaluate(FOCUSED))
        if "point" in reached and page.evaluate(FOCUSED) == "none":
            break
    wanted = {"look", "against", "zoom", "build", "help", "picture", "pick", "range", "play", "frame", "point"}
    assert wanted <= reached, wanted - reached
    page.locator("#help").focus()
    page.keyboard.press("Enter")
    page.wait_for_selector("#sheet-of-keys[open]")
    assert find_violations(page) == []
    page.keyboard.press("Escape")


FOCUSED = """() => {
  const at = document.activeElement;
  if (!at || at === document.body) return "none";
  return at.id || at.classList[0] || at.type || at.tagName;
}"""


@pytest.mark.parametrize("tab", ["sheet", "floor", "notes"])
def test_axe_finds_nothing(opened, tab):
    page, _ = opened
    start_anew(page)
    page.evaluate("document.getElementById('laid').open = true")
    page.evaluate("review.setAgainst('room')")
    page.click(f"[data-tab={tab}]")
    wait_until_drawn(page)
    assert find_violations(page) == []


def test_everything_fits_a_small_screen(opened):
    page, _ = opened
    start_anew(page)
    sizes = page.evaluate("""() => {
      const box = document.getElementById('view').getBoundingClientRect();
      const bar = document.getElementById('bar');
      const over = document.documentElement.scrollWidth;
      return { view: box.width * box.height, over, bar: bar.scrollWidth <= bar.clientWidth };
    }""")
    assert sizes["over"] <= 1280 and sizes["bar"]
    assert sizes["view"] >= 0.5 * 1280 * 720  # the picture has the larger half
