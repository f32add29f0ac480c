"""An invented line, and the walk that onboards a powder on it: every screen, from an empty book to its card."""

from __future__ import annotations

import math
import re

from doe.book.book import Book
from tests.office.browser_walk import BrowserWalk
from tests.office.walk import Walk

Person = Walk | BrowserWalk
TRUE = {"cure_temp": 126.0, "cure_time": 140.0, "press_temp": 156.0, "dwell": 12.0}
WIDE = {"cure_temp": 17.0, "cure_time": 0.6, "press_temp": 17.0, "dwell": 0.7}


def distance(settings: dict[str, float]) -> float:
    """How far settings lie from the best of the invented line, in half widths of its window."""
    total = 0.0
    for name, best in TRUE.items():
        gap = math.log(settings[name] / best) if name in ("cure_time", "dwell") else settings[name] - best
        total += (gap / WIDE[name]) ** 2
    return math.sqrt(total)


def too_hot(settings: dict[str, float]) -> bool:
    """Whether the invented line fails there by too much heat."""
    return sum((settings[n] - TRUE[n]) / WIDE[n] for n in ("cure_temp", "press_temp")) > 0


def score_all(walk: Person, book: Book, study: int) -> int:
    """Score every coupon that waits, washes included, as the invented line makes it; how many."""
    scored = 0
    frame = book.plan_coupons(study)
    states = {c.coupon: c for c in book.coupon_states(study)}
    for row in frame.to_dict("records"):
        if states[row["coupon"]].passed is not None:
            continue
        settings = {name: float(row[name]) for name in TRUE}
        good = distance(settings) < 1
        checks = {"release": "pass", "stretch": "pass", "wash_1": "pass", "wash_5": "pass" if good else "fail"}
        fields = {f"check:{name}": value for name, value in checks.items()}
        if not good:
            fields["symptom"] = "glass_back" if too_hot(settings) else "edge_lift_wash"
        hand = max(1.0, min(5.0, round((4.6 - 0.35 * max(0, (settings["press_temp"] - 150) / 8)) * 2) / 2))
        device = walk.at(scored)
        device.coupon(study, row["coupon"])
        device.send(f"/score/{study}/{row['coupon']}", **fields, hand=f"{hand:g}")
        scored += 1
    return scored


def onboard(walk: Person, book: Book) -> tuple[int, int]:
    """From the first visit of an empty book to the card of the recipe ``tees``; coupons made, and made to confirm."""
    assert "Nothing is in this book yet" in walk.page.text
    walk.tap("Find the settings")
    walk.send(
        "/begin-materials",
        fabric="cotton tee",
        film="cold-peel film",
        powder="fine powder",
        powder_lot="P-1",
        fabric_lot="T-1",
        film_lot="F-1",
    )
    assert "Screen 2 of 4" in walk.page.text
    walk.send("/begin-machines", line_name="back room", oven="drawer oven", press="clam press")
    assert "Screen 3 of 4" in walk.page.text
    asked = [
        name for name in re.findall(r'name="([a-z_]+)" value="" maxlength', walk.page.text) if "_source" not in name
    ]
    limits = {name: "5" if name.startswith("min_") else "175" for name in asked if name != "max_pressure"}
    # a limit without its source is asked about, and nothing typed is lost
    walk.send("/begin-limits", expect=422, **limits)
    assert 'value="175"' in walk.page.text
    walk.send("/begin-limits", **limits, **{f"{name}_source": "its data sheet" for name in limits})
    assert "Screen 4 of 4" in walk.page.text
    # what cannot be read is said beside its field, and nothing typed is lost
    walk.send("/begin-question", expect=422, name="fine powder on tees", dwell="ten..14")
    assert "ten" in walk.page.text
    assert 'value="fine powder on tees"' in walk.page.text
    # a study that was begun waits on the first page, on any device
    walk.go("/")
    walk.tap("fine powder + cotton tee")
    # ranges are drawn with what is usual and with the limits
    assert "limit 175 °C</title>" in walk.page.text
    assert "Limit: at least 5 s." in walk.page.text
    # every range of a temperature says that it is the surface's
    assert walk.page.text.count("On the surface, as a gauge measures it") >= 2
    asked = {"cure_time": "90..210", "dwell": "8..18", "pass_rate": "90%", "hand_min": "3"}
    walk.send("/begin-question", name="fine powder on tees", **asked)
    assert "How many coupons" in walk.page.text
    number = int(re.search(r"/plan/(\d+)", walk.page.text)[1])
    walk.send(f"/plan/{number}")
    made = score_all(walk, book, number)
    for _ in range(12):
        walk.go(f"/study/{number}")
        if f"/answer/{number}" in walk.page.text:
            walk.send(f"/answer/{number}")
        if "Ready for confirmation" in walk.page.text:
            break
        walk.send(f"/extend/{number}")
        made += score_all(walk, book, number)
    assert "Ready for confirmation" in walk.page.text, re.findall(r'stands-head">([^<]*)', walk.page.text)
    assert "What to dial in" in walk.page.text
    assert "dial = surface, display not checked" in walk.page.text
    walk.go(f"/paper/{number}/report")
    assert "Back to the tool" in walk.page.text
    walk.go(f"/study/{number}")
    walk.send(f"/confirm/{number}")
    confirmed = score_all(walk, book, number)
    walk.go(f"/study/{number}")
    assert "Confirmed" in walk.page.text, re.findall(r'stands-head">([^<]*)', walk.page.text)
    walk.tap("Before release: measure the oven")
    for machine in ("oven", "press"):
        walk.send("/line/back%20room", machine=machine, display="150", measured="150")
    walk.go(f"/study/{number}")
    assert "Before release" not in walk.page.text
    # everything that is missing is said at once, and nothing is stored
    walk.send(f"/release/{number}", expect=422, approved_by="")
    assert book.recipes() == ()
    walk.send(
        f"/release/{number}",
        name="tees",
        approved_by="Ana",
        gap="at once",
        peel="cold",
        second_press="none",
        care_label="wash at 40 degC",
        room="21 degC, 45 %",
    )
    assert "tees, revision 1" in walk.page.text
    walk.tap("Card for the press")
    assert "tees" in walk.page.text
    return made, confirmed
