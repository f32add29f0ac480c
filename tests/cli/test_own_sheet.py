"""A sheet of coupons with odd headings becomes a report in three commands, asked at a terminal or said in options."""

from __future__ import annotations

import shlex

import pytest

from doe.acts.study.own_sheet import kept_reading

HEADINGS = "Probe;Press °C;dwell s;oven;Oven C;cure secs;Result;feel 1-5;Remarks"
PLACES = [
    (press, dwell, cure) for press in (142, 150, 155, 160, 168) for dwell, cure in ((9, 120), (12, 150), (15, 180))
]


def result_of(press: float, dwell: float, row: int) -> str:
    """What an invented shop writes down: too cold peels, too hot sticks, the middle is fine."""
    dose = (press - 155) / 7 + (dwell - 12) / 3
    if dose < -1.2:
        return "peeled"
    if dose > 1.4:
        return "stuck" if row % 2 else "n.i.O."
    return ("ok", "i.O.", "good")[row % 3]


def odd_sheet(bad_row: bool = True) -> str:
    """Twenty-five coupons, decimal commas, words of two languages, and one row without a temperature."""
    rows = []
    for i in range(25):
        press, dwell, cure = PLACES[i % len(PLACES)]
        press += i // len(PLACES) * 2
        said = result_of(press, dwell, i)
        feel = "" if said == "peeled" else f"{4.5 - (press - 142) // 9 * 0.5:.1f}".replace(".", ",")
        shown = "" if bad_row and i == 13 else str(press)
        rows.append(
            f"T{i + 1};{shown};{dwell};back;{118 + i % 4 * 4};{cure};{said};{feel};{'warm day' if i == 3 else ''}"
        )
    return "\n".join([HEADINGS, *rows]) + "\n"


LIMITS = ["film_max=185@film sheet", "powder_max=180", "fabric_max=180", "oven_max=190", "press_max=200"]
LIMITS += ["min_cure_time=60", "min_dwell=5"]


@pytest.fixture
def shop(empty_shop):
    (empty_shop.folder / "old tries.csv").write_text(odd_sheet(), encoding="utf-8")
    return empty_shop


def test_an_odd_sheet_becomes_a_report_in_three_commands_at_a_terminal(shop, monkeypatch):
    monkeypatch.setattr("doe.cli.desk.is_terminal", lambda stream: getattr(stream, "name", "") == "<stdin>")
    answers = [
        "",  # called like the file
        *["heavy tee", "cold film; lot=7", "fine powder", "."],
        *["tunnel", "swing press"],
        "y",  # the columns, as proposed
        "Ana",
        "?",
        "lifted",  # no word of the list: asked again
        "2",  # peeled: edge lift before wash
        "film lock",  # stuck
        "",  # the bad row, as named
        "90%",
        "back",
        "90",
        "none",
        *["185@film sheet", "back", "185@film sheet 2031", "180", "180", "190", "200", "60", "5"],
    ]
    made = shop.good("study", "new", "--own-sheet", "old tries.csv", typed="\n".join(answers) + "\n")
    told = " ".join(made.out.split())
    assert "press_temp (degC)" in told
    assert "dwell (s)" in told
    assert "T14" not in told.partition("Study 1")[0]
    assert "row 15, Press °C: found nothing" in told
    with shop.open() as book:
        record = book.study("old tries")
        frame = book.results(record.id).set_index("coupon")
        kept = kept_reading(book, record.id)
    study = record.study
    assert [f.name for f in study.factors] == ["press_temp", "dwell", "cure_temp", "cure_time"]
    assert (study.factor("press_temp").low, study.factor("press_temp").high) == (142, 168)
    assert study.limits.sources == {"film_max_degc": "film sheet 2031"}
    assert (study.spec.pass_rate, study.spec.hand_min) == (0.9, None)
    assert len(frame) == 24
    assert "T14" not in frame.index
    assert frame.loc["T1", ["symptom", "side"]].tolist() == ["edge_lift_dry", "under"]
    assert set(frame["side"]) == {"", "under", "over", "unknown"}
    assert frame.loc["T3", "hand_Ana"] == 4.5
    assert kept is not None
    assert kept.words == {"peeled": "edge_lift_dry", "stuck": "film_lock"}
    shop.good("recommend", "old tries")
    report = shop.good("report", "old tries", "-o", "report.html")
    assert "report.html" in report.out
    assert "Rows left out: 15." in (shop.folder / "report.html").read_text(encoding="utf-8")
    # the next sheet of the study is read the same way, without a question
    more = odd_sheet(bad_row=False).replace("\nT", "\nU").replace("peeled", "PEELED")
    (shop.folder / "more.csv").write_text(more, encoding="utf-8")
    shop.good("record", "old", "--own-sheet", "more.csv", typed="")
    with shop.open() as book:
        assert len(book.results(record.id)) == 24 + 25


def test_the_same_in_options_where_nobody_can_be_asked(shop):
    words = ["study", "new", "old tries", "--own-sheet", "old tries.csv", "--pass-rate", "90"]
    words += ["--fabric", "heavy tee", "--film", "cold film", "--powder", "fine powder", "--press", "swing press"]
    told = shop.run(*words)
    assert told.code == 2
    limits, columns, *unclear = told.errors
    assert limits.startswith("--limit: found 7 missing")
    assert columns.startswith("old tries.csv: found a sheet with headings of its own")
    assert [line.partition("; allowed")[0] for line in unclear] == [
        "old tries.csv, rows 2, 3, 5, 17, 18 and 20: found 'peeled'",
        "old tries.csv, rows 13 and 15: found 'stuck'",
    ]
    with shop.open() as book:
        assert (book.studies(), book.stacks()) == ((), ())
    proposed = shlex.split(told.errors[1].partition("check it: ")[2])
    words += [*proposed, "--word", "peeled=edge lift before wash", "--word", "stuck=fail"]
    words += [part for limit in LIMITS for part in ("--limit", limit)]
    told = shop.run(*words)
    assert told.code == 2
    assert told.errors == [
        "old tries.csv, row 15, Press °C: found nothing; allowed: the press temperature used. "
        "Fill it in, or take the row out. Or: --leave-out 15"
    ]
    made = shop.good(*words, "--leave-out", "T14", "--person", "Ana", "--json").json
    assert made["missing_limits"] == []
    assert made["brought"]["counts"]["scored"] == 24
    shop.good("recommend", "old tries")
    shop.good("report", "old tries", "-o", "report.html")
    with shop.open() as book:
        assert book.study("old tries").study.spec.checks[0].name == "sound"


def test_marks_below_words_and_settings_that_never_change(empty_shop):
    rows = ["Press C,Dwell s,Pressure bar,ok,n.i.O.,stuck,x-ray"]
    rows += [
        f"{145 + i},{8 + i % 5},3,{'x' if i % 3 else ''},{'' if i % 3 else 'x'},{'x' if i == 6 else ''},"
        for i in range(12)
    ]
    (empty_shop.folder / "marks.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    words = ["study", "new", "marks", "--own-sheet", "marks.csv", "--fabric", "tee", "--film", "f", "--powder", "p"]
    words += ["--oven", "tunnel", *(part for limit in LIMITS for part in ("--limit", limit))]
    told = empty_shop.run(*words)
    assert '--map "ok=ticked" --map "n.i.O.=ticked" --map "stuck=ticked"' in told.err
    maps = shlex.split(told.errors[0].partition("check it: ")[2])
    empty_shop.good(*words, *maps, "--word", "stuck=film lock", "--json")
    with empty_shop.open() as book:
        frame = book.results("marks").set_index("coupon")
        assert book.study("marks").study.held == {"pressure": 3}
    assert frame["passed"].tolist() == [bool(i % 3) for i in range(12)]
    assert frame.loc["own-07", ["symptom", "side"]].tolist() == ["film_lock", "over"]
    (empty_shop.folder / "marks.csv").write_text("\n".join(rows).replace("x,,,", "x,x,,") + "\n", encoding="utf-8")
    told = empty_shop.run(*words[:2], "again", *words[3:], *maps, "--word", "stuck=film lock", "--json")
    assert "n.i.O.: found pass and fail" in told.err


STUDY = "new powder on the heavy tee"
VERDICTS = "Oven C,Oven sec,Press C,Dwell,Verdict\n120,120,150,10,ok\n130,150,160,14,bad\n"


def test_one_verdict_over_several_checks_is_proposed_as_one_of_them(shop_with):
    shop = shop_with(0)
    (shop.folder / "own.csv").write_text(VERDICTS, encoding="utf-8")
    told = shop.run("record", STUDY, "--own-sheet", "own.csv")
    assert "with the check it is (release, stretch, wash_1 and wash_5)" in told.err
    shop.good("record", STUDY, "--own-sheet", "own.csv", *shlex.split(told.err.partition("check it: ")[2]))
    with shop.open() as book:
        assert book.results(STUDY)["check_release"].tolist() == [True, False]


def test_one_verdict_over_several_checks_is_asked_about(shop_with, monkeypatch):
    monkeypatch.setattr("doe.cli.desk.is_terminal", lambda stream: getattr(stream, "name", "") == "<stdin>")
    shop = shop_with(0)
    (shop.folder / "own.csv").write_text(VERDICTS, encoding="utf-8")
    found = shop.good("record", STUDY, "--own-sheet", "own.csv", typed="dummy\nrelease\nback\nStretch\ny\n")
    assert "'dummy'" in found.out
    with shop.open() as book:
        frame = book.results(STUDY)
    assert frame["check_release"].tolist() == [None, None]
    assert frame["check_stretch"].tolist() == [True, False]


def test_limits_are_asked_before_the_columns_and_kept(shop_with, monkeypatch):
    monkeypatch.setattr("doe.cli.desk.is_terminal", lambda stream: getattr(stream, "name", "") == "<stdin>")
    shop = shop_with(0)
    new = ["study", "new", "x", "--stack", "heavy tee", "--line", "back", "--factor", "press_temp", "--factor", "dwell"]
    shop.good(*new, "--check", "release")
    (shop.folder / "own.csv").write_text(VERDICTS, encoding="utf-8")
    found = shop.good("record", "x", "--own-sheet", "own.csv", typed="180\n180\n900\n155\n190\n200\n60\n5\ny\n")
    told = " ".join(found.out.split())
    assert "found 900 °C" in told or "found '900'" in told
    assert "1 coupon beyond the limit of 155 °C" in told
    with shop.open() as book:
        assert book.study("x").study.limits.fabric_max_degc == 155
        assert book.results("x")["passed"].tolist() == [True, False]


def german_sheet() -> str:
    """Coupons numbered 1 to 25 under German and mixed headings; coupon 20 stands in row 21 and has no temperature."""
    head = "Nr;Datum;Ofen °C;Zeit im Ofen (s);Presse °C;Presszeit sek;Druck bar;Ergebnis;nach Wäsche;Griff;Bemerkung"
    rows = []
    for i, (press, dwell, cure) in enumerate((PLACES * 2)[:25], start=1):
        dose = (press - 155) / 7 + (dwell - 12) / 3
        said = "n.i.O." if dose < -1.2 else "stuck" if dose > 1.4 else "ok"
        washed = {"ok": ("ok", "i.O.", "n.i.O.")[i % 3]}.get(said, "")
        shown = "" if i == 20 else str(press)
        feel = "4,5" if said == "ok" else ""
        rows.append(
            f"{i};12.3.;{118 + i % 4 * 4};{cure};{shown};{dwell};3;{said};{washed};{feel};{'klebt' if i == 1 else ''}"
        )
    return "\n".join([head, *rows]) + "\n"


def test_german_headings_are_proposed_and_a_result_beside_washes_is_what_was_seen_at_the_press(empty_shop):
    (empty_shop.folder / "versuche.csv").write_text(german_sheet(), encoding="utf-8")
    asked = empty_shop.run("study", "new", "--own-sheet", "versuche.csv")
    proposal = next(line for line in asked.errors if "This looks likely" in line)
    for pair in (
        "Nr=coupon",
        "Ofen °C=cure_temp",
        "Zeit im Ofen (s)=cure_time",
        "Presse °C=press_temp",
        "Presszeit sek=dwell",
        "Druck bar=pressure",
        "Ergebnis=check_release",
        "nach Wäsche=check_wash_1",
        "Griff=hand",
        "Bemerkung=note",
    ):
        assert f'--map "{pair}"' in proposal
    words = shlex.split(proposal.partition("check it: ")[2])
    limits = [part for text in LIMITS for part in ("--limit", f"{text.partition('@')[0]}@Blatt")]
    parts = ["--fabric", "Stoff", "--film", "Folie", "--powder", "Pulver", "--oven", "Ofen", "--press", "Presse"]
    new = ["study", "new", "--own-sheet", "versuche.csv", *words, "--word", "stuck=film lock", *limits, *parts]
    # row 21 is not coupon 21: what is proposed says so, and the number alone is asked about
    assert 'Or: --leave-out "row 21"' in empty_shop.run(*new).err
    assert "row 21, or coupon 21 (row 22)" in empty_shop.run(*new, "--leave-out", "21").err
    empty_shop.good(*new, "--leave-out", "row 21")
    with empty_shop.open() as book:
        frame = book.results("versuche").set_index("coupon")
    assert "20" not in frame.index
    assert "21" in frame.index
    assert frame["passed"].notna().all()
