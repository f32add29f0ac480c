"""What a page stores and what a command stores are the same rows, whatever was done."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.cli.test_own_sheet import LIMITS
from tests.office.walk import Walk, assert_same, compares

if TYPE_CHECKING:
    from tests.shop import Shop

SOURCE = "its data sheet"
WHY = "the new edition of the sheet"
RANGES = {"cure_temp": "110..140", "cure_time": "90..210", "press_temp": "140..170", "dwell": "8..18"}


def by_commands(shop: Shop) -> None:
    shop.good("stack", "add", "tee", "--fabric", "heavy tee", "--film", "cold film; lot=7", "--powder", "fine powder")
    shop.good("line", "add", "back room", "--oven", "tunnel", "--press", "swing press")
    factors = [part for name, text in RANGES.items() for part in ("--factor", f"{name}={text}")]
    target = ["--pass-rate", "90%", "--hand-min", "3", "--assurance", "90%"]
    shop.good("study", "new", "fine powder on tees", "--stack", "tee", "--line", "back room", *factors, *target)
    limits = [part for text in LIMITS for part in ("--limit", f"{text.partition('@')[0]}@{SOURCE}")]
    shop.good("study", "limits", "fine powder on tees", *limits)
    shop.good("plan", "fine powder on tees", "--coupons", "12", "--choose", "auto", "--step-by-step")
    shop.good("record", "fine powder on tees", "--coupon", "R1-01", "--pass", "release", "--pass", "stretch")
    shop.good("record", "fine powder on tees", "--coupon", "R1-02", "--void", "film torn at the press")
    for measured in ("146", "164"):
        reading = ("--machine", "press", "--set", "150", "--measured", measured, "--place", "front")
        shop.good("gauge", "add", "back room", *reading)
    shop.good("gauge", "withdraw", "2", "--why", "two digits swapped")
    looser = ("--limit", f"film-max=186@{SOURCE}", "--why", WHY)
    shop.good("study", "amend", "fine powder on tees", *looser)


def by_pages(walk: Walk) -> None:
    walk.tap("Find the settings")
    materials = {"fabric": "heavy tee", "film": "cold film", "film_lot": "7", "powder": "fine powder"}
    walk.send("/begin-materials", **materials, stack_name="tee")
    walk.send("/begin-machines", line_name="back room", oven="tunnel", press="swing press")
    walk.send("/begin-limits")
    walk.send("/begin-question", name="fine powder on tees", **RANGES, pass_rate="90%", hand_min="3")
    pairs = [text.partition("@")[0].split("=") for text in LIMITS]
    walk.send("/limits/1", **dict(pairs), **{f"{name}_source": SOURCE for name, _ in pairs})
    walk.send("/plan/1", plan="step by step")
    walk.go("/c/1/R1-01")
    walk.send("/score/1/R1-01", **{"check:release": "pass", "check:stretch": "pass"})
    walk.go("/c/1/R1-02")
    walk.send("/score/1/R1-02", void="film torn at the press")
    walk.go("/line/back%20room")
    for measured in ("146", "164"):
        walk.send("/line/back%20room", machine="press", display="150", measured=measured, place="front")
    walk.send("/withdraw-reading/back%20room", reading="2", expect=422)
    assert "Why it does not count: found no reason" in walk.page.text
    walk.send("/withdraw-reading/back%20room", reading="3", why="no such reading", expect=422)
    walk.send("/withdraw-reading/back%20room", reading="2", why="two digits swapped")
    assert "read 164 °C, front" in walk.page.text
    assert "(two digits swapped)" in walk.page.text
    walk.go("/limits/1")
    walk.send("/limits/1", film_max="186", expect=422)
    assert "a reason, since a limit is loosened" in walk.page.text
    walk.send("/limits/1", film_max="186", why=WHY)


@compares(
    "/begin-materials",
    "/begin-machines",
    "/begin-question",
    "/limits/{study:int}",
    "/plan/{study:int}",
    "/score/{study:int}/{coupon:path}",
    "/line/{line:path}",
    "/withdraw-reading/{line:path}",
)
def test_stack_line_study_limits_plan_scores_readings_and_an_amendment(office_over, empty_shop):
    office = office_over()
    by_pages(Walk(office.device("ana")))
    by_commands(empty_shop)
    with empty_shop.open() as book:
        assert_same(office.book, book)
