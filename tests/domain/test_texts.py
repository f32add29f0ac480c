"""What people may type as text, and how a refusal reads: one line, whatever was found."""

from __future__ import annotations

import pytest

from doe.domain.errors import NOTE_LENGTH, InputError, check_line, check_note, check_seed
from doe.domain.factors import Factor, usual_factor
from doe.domain.gauge import GaugeReading
from doe.domain.limits import Limits
from doe.domain.score import ScoreEntry, entry_problems
from doe.domain.spec import Check
from doe.domain.stack import Line, Machine, Material, Stack
from doe.domain.study import Study

TWO = (usual_factor("cure_temp"), usual_factor("dwell"))
FINE = Material("fine")


@pytest.mark.parametrize(
    "text", ["a\nb", "a\tb", "a\x1b[31mb", "a\x00b", "\ufeffa", "a\u202eb", "a\u2028b", "a\udcffb"]
)
def test_a_line_holds_no_sign_that_does_not_show(text: str) -> None:
    with pytest.raises(InputError, match=r"with the sign U\+") as caught:
        check_line(text, "name")
    assert len(str(caught.value).splitlines()) == 1


@pytest.mark.parametrize(
    "text", ["", "Größe 5 µm", "ткань", "布", "עברית", "👩🏽‍🔧", "e\u0301", "a/b ../c", "'; DROP TABLE x;--"]
)
def test_words_of_any_language_are_taken(text: str) -> None:
    check_line(text, "name")
    check_note(f"{text}\n\tand\r\nmore", "note")


def test_a_text_in_a_cell_of_its_own_does_not_start_like_a_formula() -> None:
    for text in ("=1+1", " +1", "-1", "@a"):
        check_line(text, "name")
        with pytest.raises(InputError, match="formula"):
            check_line(text, "name", in_cells=True)


def test_long_and_strange_texts_are_refused() -> None:
    with pytest.raises(InputError, match="4001 characters; allowed: at most 4000"):
        check_note("n" * (NOTE_LENGTH + 1), "note")
    with pytest.raises(InputError, match="words"):
        check_line(3, "name")


@pytest.mark.parametrize(
    "make",
    [
        lambda t: Study(t, TWO),
        lambda t: Study("s", TWO, held={t: 1.0}),
        lambda t: Study("s", TWO, held={"mesh": t}),
        Material,
        lambda t: Material("a", supplier=t),
        lambda t: Material("a", lot=t),
        lambda t: Material("a", detail=t),
        lambda t: Stack(t, FINE, FINE, FINE),
        Line,
        lambda t: Line("l", gauge=t),
        lambda t: Machine(t, 1, 1),
        lambda t: Limits(film_max_degc=170, sources={"film_max_degc": t}),
        lambda t: Check("a", t),
        lambda t: usual_factor("dwell", label=t),
        lambda t: Factor("mesh", levels=("a", t)),
        lambda t: GaugeReading("press", 150, None, 148, place=t),
        lambda t: GaugeReading("press", 150, None, 148, note=t),
    ],
)
def test_no_text_of_a_shop_holds_what_a_terminal_obeys(make) -> None:  # type: ignore[no-untyped-def]
    make("fine words")
    with pytest.raises(InputError, match=r"with the sign U\+001B"):
        make("fine\x1b[2Jwords")


def test_notes_and_reasons_of_a_coupon_are_looked_at() -> None:
    study = Study("s", TWO)
    assert not entry_problems(ScoreEntry("R1-01", note="two\nlines", void_reason="torn"), study)
    found = entry_problems(ScoreEntry("R1-01", note="a\x07b", void_reason="x" * 5000, hand={"=x": 3.0}), study)
    assert [p.where for p in found] == ["people", "coupon R1-01, note", "coupon R1-01, void"]


def test_a_message_is_one_line_and_no_terminal_obeys_it() -> None:
    error = InputError("a\nb", "\x1b[31mred\n" * 200, "words", "Type it again.")
    assert str(error).isprintable()
    assert len(str(error)) < 400
    assert error.where == "a\nb"


@pytest.mark.parametrize("seed", [-1, 2**63, 1.5, "1", None])
def test_a_seed_is_a_whole_number(seed: object) -> None:
    with pytest.raises(InputError, match="seed: found"):
        check_seed(seed)
    check_seed(0)
