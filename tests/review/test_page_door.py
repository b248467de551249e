"""The page's own key, the caution for flashing light, and what does not come: in a real browser, on a made shot."""

import page_browser
import pytest
from page_browser import wait_for, wait_until_drawn
from page_shot import FIRST, MadeReview


@pytest.fixture(scope="module")
def browser():
    with page_browser.open_browser() as browser:
        yield browser


@pytest.mark.slow
def test_the_key_outlives_another_load_and_serves_another_tab(browser):
    review = MadeReview()
    with page_browser.open_page(browser, review) as page:
        address = page.evaluate("location.href")
        assert "key" not in address and "token" not in address  # neither is left to be read over a shoulder
        assert page.evaluate("fetch('/api/shot').then((answer) => answer.status)") == 403  # the cookie is not enough
        page.troubles = [told for told in page.troubles if "403" not in told]
        page.select_option("#look", "reach")  # pictures that the server draws come with the key too
        wait_for(page, "document.getElementById('flat').naturalWidth === 1 && !document.getElementById('flat').hidden")
        assert page.get_attribute("#flat", "src").startswith("blob:")
        assert ("picture", "reach", page.evaluate("review.ui.frame"), "sweep_lamp") in review.asked
        review.built = 2  # somebody has built the room from elsewhere
        page.evaluate("review.lookAtDisk()")
        page.wait_for_selector("#load-again")
        assert "The room was built anew" in page.inner_text("#message")
        assert page.evaluate("review.picture.ring.load(1020).then(() => 'mixed', (error) => error.status)") == 409
        page.click("#load-again")
        wait_for(page, "window.review?.shot.built === 2")
        tab = page.context.new_page()
        tab.goto(address)
        wait_for(tab, "Boolean(window.review)")
        tab.evaluate("localStorage.clear()")  # as in a browser that was never given it
        tab.reload()
        wait_for(tab, "document.getElementById('message').textContent.includes('lost its key')")


def press_and_count(page, presses, pause_ms=15):
    """Hold an arrow key: how often the frame changed in how many milliseconds, by what is in the page's state."""
    return page.evaluate(f"""async () => {{
      const seen = [review.ui.frame], from = performance.now();
      document.getElementById('picture').focus();
      for (let k = 0; k < {presses}; k++) {{
        const how = {{ key: 'ArrowRight', bubbles: true, cancelable: true, repeat: k > 0 }};
        document.activeElement.dispatchEvent(new KeyboardEvent('keydown', how));
        await new Promise((done) => setTimeout(done, {pause_ms}));
        if (seen.at(-1) !== review.ui.frame) seen.push(review.ui.frame);
      }}
      return [seen.length - 1, performance.now() - from];
    }}""")


# REFERENCE  WCAG 2.2, success criterion 2.3.1: not more than three flashes in any one second. A change of frame that
# fades over 0.34 s cannot come more often than that.
FADE_MS = 340


def test_the_caution_cannot_be_gone_round(browser):
    with page_browser.open_page(browser, MadeReview(flash="failed"), ready=False) as page:
        page.wait_for_selector("#gate[open]")
        page.click("#confirm")  # it may be seen; playing it is another question
        wait_until_drawn(page)
        page.evaluate(f"review.jumpTo({FIRST})")
        wait_until_drawn(page)
        changes, took = press_and_count(page, 40)
        assert 1 <= changes <= took / FADE_MS + 1
        wait_until_drawn(page)
        frame = page.evaluate("review.ui.frame")
        page.evaluate("for (let k = 0; k < 9; k++) document.getElementById('on').click()")  # nor is its button
        assert page.evaluate("review.ui.frame") <= frame + 1
        page.click("#play")
        page.wait_for_selector("#gate[open]")
        assert page.inner_text("#confirm") == "Play it"
        page.click("#confirm")
        wait_for(page, "review.player.running")
        page.evaluate(f"review.player.stop(); review.goTo({FIRST})")
        wait_until_drawn(page)
        changes, took = press_and_count(page, 12)
        assert changes == 12  # it was agreed to

        # who agrees to play a change agrees to that one
        page.evaluate("review.shot.flash = { state: 'clear', spans: [] }")
        assert page.evaluate("review.gate.mayPlay()")
        page.evaluate(f"review.goTo({FIRST}); review.addPoint()")
        wait_until_drawn(page)
        page.click("#play")
        page.wait_for_selector("#gate[open]")
        assert "changes have not been checked" in page.inner_text("#gate")
        page.click("#confirm")
        wait_for(page, "review.player.running")
        page.evaluate("review.edit((edits) => ({ ...edits, light: { ...edits.light, glow: { gel: [1, 0, 0] } } }))")
        wait_for(page, "!review.player.running")  # while it played, the light became another
        assert "not checked for flashing" in page.inner_text("#message")
        assert page.evaluate("review.gate.mayPlay()") is False
        page.click("#play")
        page.wait_for_selector("#gate[open]")
        assert page.evaluate("document.activeElement.textContent") == "Do not play it"
        page.keyboard.press("Escape")
        page.evaluate("review.undo()")
        assert page.evaluate("review.gate.mayPlay()") is True  # that one was agreed to
        page.evaluate("review.undo(), review.shot.unbuilt = true")  # written, but not built and checked yet
        assert page.evaluate("[review.gate.doubt, review.gate.mayPlay()]") == ["changed", False]
        page.evaluate("review.shot.unbuilt = false")


class Failing(MadeReview):
    """A shot whose stills cannot be read for a while."""

    fails = 0

    def still(self, light, index, *, half=False, filled=False):
        if index == 2 and self.fails > 0:
            self.fails -= 1
            raise OSError("the disk is away")
        return super().still(light, index, half=half, filled=filled)


def forgive(page, words):
    """Take what a test has made go wrong off the list of troubles."""
    page.troubles = [told for told in page.troubles if words not in told]


def test_stills_that_never_come_are_told_of_and_a_button_asks_again(browser):
    review = Failing()
    review.fails = 1000
    with page_browser.open_page(browser, review, ready=False) as page:
        page.evaluate("""() => import('/stacks.js').then(({ PAUSES_MS }) => PAUSES_MS.fill(20))""")
        page.wait_for_selector("#stills-again", timeout=20000)
        told = page.inner_text("#message")
        assert "Stills of " in told and "did not come: the disk is away" in told
        wait_for(page, "review.stacks.busy === 0")
        review.fails = 2  # this time it comes by itself, after some more
        page.click("#stills-again")
        wait_until_drawn(page)
        assert review.fails == 0 and "did not come" not in page.inner_text("#message")
        forgive(page, "500")
