"""The shoot sheet as a page."""

from lightstack.report.plan_page import make_plan_page
from lightstack.report.plan_words import PlanPass, PlanTable, ShootPlan


def make(**changes):
    words = {
        "settings": (("frame rate", "24"),),
        "passes": (PlanPass(1, "Hero <b>", "[takes.hero]", 3, 72, ("one", "two & three")),),
        "tables": (PlanTable("Speeds", ("a", "b"), (("1", "2"), ("3", "4")), 1, ("a note",)),),
        "locks": ("lock",),
        "checklist": ("check",),
        "cautions": ("careful",),
        "numbers": {},
    }
    return ShootPlan(**{**words, **changes})


def test_everything_is_escaped_and_shown():
    page = make_plan_page(make()).decode()
    assert "Hero &lt;b&gt;" in page and "two &amp; three" in page and "careful" in page
    assert page.count('class="chosen"') == 1 and "at least 3 s, 72 frames" in page


def test_the_style_is_allowed_by_its_hash_alone():
    page = make_plan_page(make()).decode()
    assert "default-src &#39;none&#39;" in page and "sha256-" in page and "<script" not in page
