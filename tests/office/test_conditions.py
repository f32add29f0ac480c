"""Wash, room and the gauge's certificate: typed at a terminal or on a page, on report, story and card."""

from __future__ import annotations

from datetime import timedelta

from doe.acts.base import today
from doe.acts.conditions import certificates, conditions_of, gauge_of, gauges_behind
from doe.words.wording import day
from tests.cli.test_known import NAME, RECIPE, RELEASE, confirmed, page, shop
from tests.office.walk import Walk, compares

__all__ = ["shop"]

WASH = {"programme": "normal", "drying": "on a line", "detergent": "20 g, no bleach", "standard": "ISO 6330, 4N"}
TOLD = "40 °C (104 °F), normal; dried on a line; with 20 g, no bleach; by ISO 6330, 4N"
LATER, OVER = (today() + timedelta(days=days) for days in (30, -3))


def written_down(shop, until) -> None:
    typed = [part for name, text in WASH.items() for part in (f"--{name}", text)]
    shop.good("study", "conditions", NAME, "--wash", "40C", *typed)
    shop.good("study", "conditions", NAME, "--room", "21 degC, 45 %")  # what was said before stays
    certificate = ("--number", "4711", "--issuer", "Orr metrology", "--until", until.isoformat())
    shop.good("gauge", "certificate", "back room", *certificate)


def test_report_story_and_card_say_wash_room_and_certificate(shop):
    written_down(shop, LATER)
    assert TOLD in page(shop, "report", NAME)
    confirmed(shop)
    shop.good(*(part for part in RELEASE if part not in ("--room", "21 degC, 45 %")))
    for text in (page(shop, "recipe", "card", RECIPE), page(shop, "report", "--recipe", RECIPE)):
        assert TOLD in text
        assert "21 degC, 45 %" in text
        assert f"number 4711, by Orr metrology, valid until {day(LATER)}" in text
        assert "not backed any more" not in text


def test_an_expired_certificate_is_a_caution_wherever_its_gauge_counts(shop):
    confirmed(shop)
    shop.good(*RELEASE)
    assert "certificate" not in shop.good("waiting").out
    written_down(shop, OVER)
    said = "Certificate expired: number 4711 of the gauge"
    for verb in (("show", "--more"), ("certificate",), ("list",)):
        words = ("gauge", verb[0], "back room", *verb[1:])
        assert said in " ".join(shop.good(*words).out.replace("\n!", "").split())
    for words in (("recipe", "card", RECIPE), ("report", "--recipe", RECIPE)):
        assert said in page(shop, *words)
    assert said in shop.good("sheet", NAME, "-o", "sheets").out
    shop.good(*RELEASE, "--why", "released again, with what the certificate says")
    for words in (("recipe", "card", RECIPE), ("report", "--recipe", RECIPE)):
        assert page(shop, *words).count(said) == 1  # kept at release and still so: said once
    waits = shop.good("waiting", "--json").json["waiting"]
    assert [w["name"] for w in waits if w["kind"] == "certificate"] == ["back room"]
    assert shop.run("gauge", "certificate", "left", "--number", "1", "--issuer", "x", "--until", "soon").code == 2


def test_the_certificate_of_a_shared_machine_is_that_of_the_line_that_keeps_its_readings(shop):
    shop.good("line", "add", "third", "--oven-of", "back room", "--press-of", "left")
    certificate = ("--number", "4711", "--issuer", "Orr metrology", "--until", OVER.isoformat())
    shop.good("gauge", "certificate", "back room", *certificate)
    shown = shop.good("gauge", "list", "third", "--json").json
    assert len(shown["cautions"]) == 1
    assert "number 4711 of the gauge of back room" in shown["cautions"][0]
    assert shop.good("gauge", "list", "left", "--json").json["cautions"] == []
    shop.good("gauge", "certificate", "back room", *certificate[:-1], LATER.isoformat())
    with shop.open() as book:
        assert set(certificates(gauges_behind(book, "third"))) == {"back room"}
    assert shop.good("gauge", "list", "third", "--json").json["cautions"] == []


def test_what_is_not_written_down_yet_comes_with_the_command_that_writes_it(shop):
    assert "doe gauge certificate left --number" in shop.good("gauge", "certificate", "left").out
    assert f'doe study conditions "{NAME}" --wash' in shop.good("study", "conditions", NAME).out


@compares("/conditions/{study:int}", "/certificate/{line:path}")
def test_pages_keep_the_same_as_commands(office_over, shop):
    walk = Walk(office_over(shop.book).device("ana"))
    walk.go("/study/1")
    walk.send("/conditions/1", wash="40", **WASH, room="21 degC, 45 %")
    assert TOLD in walk.page.text
    walk.send("/conditions/1", wash="400", expect=422)
    walk.go("/line/back%20room")
    fields = {"number": "4711", "issuer": "Orr metrology"}
    walk.send("/certificate/back%20room", **fields, until="soon", expect=422)
    walk.send("/certificate/back%20room", **fields, until=OVER.isoformat())
    assert "not backed any more" in walk.page.text
    walk.go("/")
    assert "its certificate ends" in walk.page.text
    with shop.open() as book:
        by_page = conditions_of(book, book.study(NAME)), gauge_of(book, "back room").certificate
    written_down(shop, OVER)
    with shop.open() as book:
        assert (conditions_of(book, book.study(NAME)), gauge_of(book, "back room").certificate) == by_page
        assert len(book.notes("conditions")) == len(book.notes("gauge certificate")) == 1
