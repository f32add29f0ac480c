"""A machine is a thing of its own: it goes from line to line with its readings, and one that was replaced keeps its."""

from __future__ import annotations

import re
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from doe.acts.conditions import certificates, gauge_of, gauges_behind, keep_certificate
from doe.acts.gauges.line import gauged_line, keep_readings
from doe.acts.gauges.machines import (
    another,
    keep_with,
    machine_meant,
    machine_records,
    move,
    of_its_own,
    rename,
    shared,
)
from doe.acts.recipe.on_line import recipe_on
from doe.acts.study.standing import standing_of_recipe
from doe.assure.gauges.platen import PlatenMap
from doe.assure.gauges.summary import map_machine
from doe.book.book import Book
from doe.domain.errors import InputError
from doe.domain.gauge import MACHINE_KINDS, Certificate, GaugeReading, MachineKind
from doe.domain.stack import Line, Machine, Stay
from tests.book.samples import RECIPE, STACK, make_study
from tests.book.samples import read_machine as read
from tests.postgres import Place

NOW = datetime.now(UTC).replace(microsecond=0)
EARLIER, MOVED, LATER = NOW - timedelta(days=20), NOW - timedelta(days=10), NOW - timedelta(days=2)
BACK = Line("back", Machine("tunnel", 7, 11, 1.2), Machine("swing press", 4, 12), "strip 3", gauge_u_degc=1.5)
FRONT = Line("front", Machine("drawer", 10, 15), Machine("clam press", 5, 9), "probe", gauge_u_degc=4.0)


@pytest.fixture
def shop(place: Place) -> Book:
    with Book.open(place(), who="ana") as book:
        book.save_line(BACK)
        book.save_line(FRONT)
        read(book, "back", -3, EARLIER)
        read(book, "front", -6, EARLIER)
        read(book, "front", -8, EARLIER, "press")
        yield book
        assert book.check() == []


def go(book: Book, name: str, to: str, since: datetime | None = MOVED) -> Line:
    return move(book, machine_meant(book, name), to, "" if since is None else since.isoformat(), "needed there")


def offs(book: Book, line: str, kind: MachineKind = "oven") -> list[float]:
    mine = (r for r in book.gauge_readings(line) if r.machine == kind)
    return [r.measured_degc - r.set_degc for r in mine]


def told(book: Book, line: str, kind: MachineKind) -> object:
    """Everything that the readings of a machine say, to the digit."""
    gauge = gauged_line(book, line).machine(kind)
    budget = None if gauge.budget is None else gauge.budget.table.to_csv()
    converted = gauge.dial(122.0), gauge.surface(122.0)
    return gauge.name, gauge.readings, gauge.older, converted, budget, gauge.status, gauge.off_centre_delta_degc


def records(book: Book) -> dict[str, tuple[tuple[str, ...], int]]:
    return {m.use.machine.name: (m.use.lines, m.counting) for m in machine_records(book)}


def test_an_oven_takes_its_readings_to_another_line_to_the_digit_and_leaves_those_of_others(shop):
    before = gauged_line(shop, "back").dial("cure_temp", 122.0)
    press = told(shop, "front", "press")
    made = go(shop, "tunnel", "front")
    assert (made.oven.name, made.oven.uncertainty_degc, made.oven.since) == ("tunnel", 1.2, MOVED)
    assert gauged_line(shop, "front").dial("cure_temp", 122.0) == before
    assert told(shop, "front", "press") == press
    assert not gauged_line(shop, "back").dial("cure_temp", 122.0).is_checked
    assert (offs(shop, "back"), offs(shop, "front")) == ([], [-3, -3, -3])
    assert records(shop) == {
        "tunnel": (("front",), 3),
        "drawer": ((), 3),
        "oven": (("back",), 0),
        "swing press": (("back",), 0),
        "clam press": (("front",), 3),
    }


def test_readings_are_of_the_machine_that_stood_there_when_they_were_taken_whenever_they_are_typed(shop):
    go(shop, "tunnel", "front")
    read(shop, "front", -2, LATER)
    shop.add_gauge_reading("back", GaugeReading("oven", 125, 125, 124, taken_at=LATER))
    shop.add_gauge_reading("back", GaugeReading("oven", 125, 125, 121, taken_at=MOVED - timedelta(days=1)))
    assert offs(shop, "front") == [-3, -3, -3, -4, -2, -2, -2]
    assert offs(shop, "back") == [-1]
    assert records(shop)["drawer"] == ((), 3)


def test_a_move_is_put_right_by_moving_back_to_the_same_time(shop):
    before = shop.lines(), shop.gauge_readings("back"), shop.gauge_readings("front")
    for since in (MOVED, MOVED.replace(hour=0, minute=0, second=0)):
        go(shop, "tunnel", "front", MOVED)
        go(shop, "tunnel", "back", since)
        go(shop, "drawer", "front", since)
        assert (shop.lines(), shop.gauge_readings("back"), shop.gauge_readings("front")) == before
        assert shop.machines_put_by() == {}


def test_a_machine_that_comes_back_later_has_what_was_read_of_it_before_and_since_and_not_of_others(shop):
    go(shop, "tunnel", "front")
    read(shop, "front", -2, MOVED + timedelta(days=1))
    read(shop, "back", -9, MOVED + timedelta(days=1))
    go(shop, "tunnel", "back", LATER)
    read(shop, "back", -1, LATER + timedelta(hours=1))
    assert offs(shop, "back") == [-3] * 3 + [-2] * 3 + [-1] * 3
    assert [stay.line for stay in shop.line("back").stays("oven")] == ["back", "front", "back"]
    go(shop, "oven, former 1", "front", NOW - timedelta(hours=1))
    assert offs(shop, "front") == [-9] * 3


def test_lines_that_share_a_machine_get_the_one_in_its_place_and_one_of_them_may_keep_it(shop):
    shop.save_line(Line("third", press=Machine("rotary", 4, 4)).sharing("oven", BACK))
    shop.save_line(Line("fourth", press=Machine("hand press", 4, 4)).sharing("oven", BACK))
    made = go(shop, "tunnel", "third")
    assert made.oven.of is None
    assert offs(shop, "third") == [-3, -3, -3]
    assert offs(shop, "fourth") == offs(shop, "back") == []
    go(shop, "tunnel", "front", LATER)
    assert (offs(shop, "third"), offs(shop, "front")) == ([], [-3, -3, -3])


def test_what_is_learned_of_a_machine_that_moved_is_learned_where_it_stands(shop):
    go(shop, "tunnel", "front")
    shop.save_line(Line("third").sharing("oven", shop.line("front")))
    read(shop, "third", -1, LATER)
    assert offs(shop, "front") == offs(shop, "third") == [-3] * 3 + [-1] * 3
    assert shop.line("third").is_same("oven", BACK)


def test_dials_rest_on_the_gauge_and_the_certificate_that_the_machine_was_read_with(shop):
    keep_certificate(shop, gauge_of(shop, "back"), Certificate("C 7", "a laboratory", date(2031, 1, 1)))
    go(shop, "tunnel", "front")
    assert {name: c.number for name, c in certificates(gauges_behind(shop, "front")).items()} == {"strip 3": "C 7"}
    table = gauged_line(shop, "front").machine("oven").budget.table
    assert table.set_index("source").loc["probe", "value"] == 1.5
    read(shop, "front", -3, LATER)
    table = gauged_line(shop, "front").machine("oven").budget.table
    assert table.set_index("source").loc["probe", "value"] == 4.0
    assert gauges_behind(shop, "front") == ()


def test_a_study_made_before_is_dialled_on_a_day_of_then_by_the_oven_of_then(shop):
    shop.save_stack(replace(STACK, name="tee"))
    number = shop.add_study(make_study("before"), stack="tee", line="back")
    then = EARLIER.date() + timedelta(days=1)
    before = gauged_line(shop, shop.study(number), on=then)
    made, left = another(shop.line("back"), "oven", "conveyor", MOVED)
    keep_with(shop, made, {"oven": left}, "broke")
    read(shop, "back", 2, LATER)
    after = gauged_line(shop, shop.study(number), on=then)
    assert after.dial("cure_temp", 122.0) == before.dial("cure_temp", 122.0)
    assert after.line == before.line
    now = gauged_line(shop, shop.study(number))
    assert now.dial("cure_temp", 122.0).dial_degc == pytest.approx(120.0)
    assert now.line.oven.name == "conveyor"


def test_a_recipe_is_in_doubt_where_its_oven_left_and_where_it_came_and_is_carried_with_the_oven(shop):
    for name, line in (("behind", BACK), ("before", FRONT)):
        made = replace(RECIPE, name=name, line=line, approved_at=EARLIER, review_on=NOW.date() + timedelta(days=99))
        shop.release_recipe(made, study=None)
    go(shop, "tunnel", "front", None)
    for name in ("behind", "before"):
        known = standing_of_recipe(shop, shop.recipe(name))
        assert (known.state, known.said.values["machines"]) == ("doubtful", ("oven",))
        assert [s.step for s in known.steps] == ["measure", "confirm", "retire"]
    carried = {f.code for f in recipe_on(shop, shop.recipe("behind"), "front", on=NOW.date()).unknown}
    assert "other_oven" not in carried
    assert "other_platen" in carried
    go(shop, "tunnel", "back", None)  # it stands where the recipe was made with it, and its readings hold
    assert standing_of_recipe(shop, shop.recipe("behind")).state == "released"
    assert standing_of_recipe(shop, shop.recipe("before")).state == "doubtful"


def test_a_machine_put_by_has_a_name_of_its_own_and_is_put_on_a_line_again(shop):
    made, left = another(shop.line("back"), "oven", "tunnel", MOVED)
    keep_with(shop, made, {"oven": left}, "one of the same make")
    assert records(shop)["tunnel, former 1"] == ((), 3)
    rename(shop, machine_meant(shop, "tunnel, former 1"), "old tunnel", "it is the old one")
    with pytest.raises(InputError, match="no other machine has"):
        rename(shop, machine_meant(shop, "old tunnel"), "Swing press", "a slip")
    go(shop, "old tunnel", "front", LATER)
    assert offs(shop, "front") == [-3, -3, -3]
    rename(shop, machine_meant(shop, "front", "oven"), "the tunnel", "on the front line")
    assert shop.line("front").oven.name == "the tunnel"
    assert offs(shop, "front") == [-3, -3, -3]


def test_a_day_that_was_mistaken_is_put_right_and_the_one_before_is_kept_once(shop):
    read(shop, "back", -5, LATER)
    for since, counting in ((NOW, 0), (MOVED, 3)):
        made, left = another(shop.line("back"), "oven", "conveyor", since)
        keep_with(shop, made, {"oven": left}, "broke")
        assert records(shop)["conveyor"] == (("back",), counting)
    assert records(shop)["tunnel"] == ((), 3)
    assert len(shop.machines_put_by()) == 1


def use(book: Book, line: str, of: str, kind: MachineKind = "oven") -> None:
    made, left = shared(book, book.line(line), kind, of)
    keep_with(book, made, {kind: left}, "both use it")


def test_an_oven_is_put_by_with_its_readings_where_its_line_uses_that_of_another_and_is_put_back(shop):
    mine = told(shop, "front", "oven")
    shop.save_line(Line("third", press=Machine("rotary", 4, 4)).sharing("oven", FRONT))
    use(shop, "front", "back")
    assert records(shop)["drawer"] == ((), 3)
    assert records(shop)["tunnel"] == (("back", "front", "third"), 3)
    assert offs(shop, "front") == offs(shop, "third") == [-3] * 3
    read(shop, "front", -1, LATER)
    go(shop, "drawer", "front", None)
    assert offs(shop, "front") == [-6] * 3
    assert offs(shop, "back") == [-3] * 3 + [-1] * 3
    assert told(shop, "front", "oven") == mine
    assert shop.machines_put_by() == {}


def test_an_oven_of_which_nothing_was_read_and_that_is_called_the_same_was_that_one_all_along(shop):
    shop.save_line(Line("third", Machine("Tunnel", 1, 1), Machine("press", 1, 1)))
    use(shop, "third", "back")
    use(shop, "third", "front", "press")
    assert shop.machines_put_by() == {}
    use(shop, "third", "front")  # it was shared before: nothing of its own leaves
    assert shop.machines_put_by() == {}
    shop.save_line(Line("fourth", Machine("Tunnel", 1, 1)))
    read(shop, "fourth", -4, EARLIER)
    use(shop, "fourth", "back")
    assert records(shop)["Tunnel, former 1"] == ((), 3)


def test_a_line_that_gets_an_oven_of_its_own_again_begins_without_what_was_read_of_others(shop):
    go(shop, "tunnel", "front")
    use(shop, "back", "front")
    made = of_its_own(shop, shop.line("back"), "oven", "batch oven")
    assert (made.oven.before, made.oven.uncertainty_degc, made.oven.heat_min_per_10) == (None, None, 7)
    keep_with(shop, made, {}, "it came")
    assert offs(shop, "back") == []
    shop.save_line(Line("new").sharing("oven", FRONT))
    assert of_its_own(shop, shop.line("new"), "oven", "first").oven.since is None


def test_no_machine_is_called_as_one_that_is_put_by(shop):
    use(shop, "front", "back")
    before = shop.stored
    with pytest.raises(InputError, match="doe line move drawer back"):
        keep_with(shop, replace(BACK, oven=replace(BACK.oven, name="Drawer")), {}, "a slip")
    assert shop.stored == before


def test_platens_of_a_press_go_with_it_each_with_its_map(shop):
    for platen, off in (("left", -4), ("Right", -1), (None, -2)):
        for place, more in (("back left", -5), ("centre", 0), ("front", 1)):
            reading = GaugeReading("press", 150, 150, 150 + off + more, place, taken_at=EARLIER, platen=platen)
            shop.add_gauge_reading("back", reading)
    before = {name: map_machine(gauged_line(shop, "back"), "press", (3, 3), name) for name in ("left", "right", None)}
    assert [made.found.mean_delta_degc for made in before.values()] == pytest.approx([-16 / 3, -7 / 3, -10 / 3])
    assert [(made.platen, made.elsewhere) for made in before.values()] == [("left", 6), ("Right", 6), (None, 6)]
    go(shop, "swing press", "front")
    for name, made in before.items():
        assert_same(map_machine(gauged_line(shop, "front"), "press", (3, 3), name).found, made.found)
    (press,) = (m for m in machine_records(shop) if m.use.machine.name == "swing press")
    assert (press.platens, press.places, press.use.lines) == ({"left": 3, "Right": 3}, 3, ("front",))
    with pytest.raises(InputError, match="--platen: found 'top'; allowed: left or Right"):
        map_machine(gauged_line(shop, "front"), "press", (3, 3), "top")
    with pytest.raises(InputError, match=r"allowed: none: no reading names a platen\. Leave it out"):
        map_machine(gauged_line(shop, "back"), "press", (3, 3), "left")


def test_a_press_with_several_platens_is_mapped_by_the_one_that_is_named_or_the_only_one(shop):
    for place in ("back left", "centre", "front"):
        shop.add_gauge_reading("back", GaugeReading("press", 150, 150, 148, place, taken_at=EARLIER, platen="left"))
    assert map_machine(gauged_line(shop, "back"), "press", (3, 3)).platen == "left"
    shop.add_gauge_reading("back", GaugeReading("press", 150, 150, 141, taken_at=EARLIER, platen="right"))
    with pytest.raises(InputError, match="none named; allowed: left or right"):
        map_machine(gauged_line(shop, "back"), "press", (3, 3))
    gauge = gauged_line(shop, "back").machine("press")
    assert gauge.setting_error.repeat_df == 0  # the middles of two platens are no repeats of each other
    kept = keep_readings(shop, "back", [GaugeReading("press", 150, 150, 148, platen="LEFT")])
    assert (kept[0].reading.repeat, kept[0].away_delta_degc) == (2, 0)
    with pytest.raises(InputError, match="of an oven"):
        GaugeReading("oven", 150, 150, 148, platen="left")


def assert_same(one: PlatenMap, other: PlatenMap) -> None:
    assert one.deviation_delta_degc.tobytes() == other.deviation_delta_degc.tobytes()
    assert (one.cold, one.worst, one.meaning) == (other.cold, other.worst, other.meaning)


def test_two_ovens_cannot_be_of_each_other_and_nothing_is_put_by(shop):
    use(shop, "front", "back")
    before = shop.stored
    with pytest.raises(InputError, match="which is its own"):
        use(shop, "back", "front")
    assert shop.stored == before


@pytest.mark.parametrize(
    ("name", "to", "since", "said"),
    [
        ("tunnel", "back", MOVED.isoformat(), "where it stands"),
        ("tunnel", "front", "2999-01-01", "today or earlier"),
        ("tunnel", "nowhere", "", "line: found 'nowhere'"),
        ("tonnel", "front", "", "machine: found 'tonnel'"),
        ("tunnel", "back", (MOVED - timedelta(days=1)).isoformat(), "later than"),
        ("tunnel", "front", f"{EARLIER:%Y-%m-%d}", "the time as well"),
    ],
    # names that hold the time would differ from process to process
    ids=["it stands there", "not yet", "no such line", "no such machine", "before it came", "a day with readings"],
)
def test_a_move_that_cannot_be_is_refused_and_nothing_is_stored(shop, name, to, since, said):
    if said == "later than":
        made, left = another(shop.line("back"), "oven", "conveyor", MOVED)
        keep_with(shop, made, {"oven": left}, "broke")
    before = shop.stored
    with pytest.raises(InputError) as refused:
        move(shop, machine_meant(shop, name), to, since, "why")
    assert said in str(refused.value)
    assert shop.stored == before


def test_a_book_carried_elsewhere_and_back_keeps_machines_and_what_was_read_of_each(shop, place, tmp_path):
    shop.export(tmp_path / "before.zip")
    go(shop, "tunnel", "front")
    shop.export(tmp_path / "after.zip")
    with Book.open(place("other"), who="ben") as other:
        other.import_(tmp_path / "after.zip")
        assert machine_records(other) == machine_records(shop)
        assert other.lines() == shop.lines()
        assert other.check() == []
        go(other, "drawer", "back", LATER)
        other.export(tmp_path / "back.zip")
    with Book.open(place("third"), who="cem") as third:
        third.import_(tmp_path / "back.zip")
        assert (offs(third, "front"), offs(third, "back")) == ([-3] * 3, [-6] * 3)
        assert third.machines_put_by().keys() == other_put_by(third)


def other_put_by(book: Book) -> set[int]:
    """Numbers of the notes of machines that are on no line."""
    return {note.id for note in book.notes("machine put by")}


@pytest.mark.in_file("damages the file behind the program")
def test_check_names_a_machine_that_came_from_a_line_which_is_gone(shop, tmp_path):
    go(shop, "tunnel", "front")
    path = shop.backup(tmp_path / "copy.sqlite")
    with closing(sqlite3.connect(path)) as raw, raw:
        raw.execute("DROP TRIGGER no_update_lines")
        raw.execute("""UPDATE lines SET data = replace(data, '"line": "back"', '"line": "gone"')""")
    with Book.open(path, who="ana") as found:
        assert "The oven of line front is that of gone, which is not there." in found.check()


@pytest.mark.in_file("a stored file of an older program")
@pytest.mark.parametrize("schema", ["0001", "0002", "0003", "0004", "0005"])
def test_the_machines_of_an_older_book_are_those_of_its_lines_and_go_with_their_readings(tmp_path, schema):
    script = Path(__file__).parents[2] / "book" / f"book_of_schema_{schema}.sql"
    text = script.read_text(encoding="utf-8")
    with closing(sqlite3.connect(tmp_path / "old.sqlite")) as raw:
        raw.executescript(text)
    with Book.open(tmp_path / "old.sqlite", who="ana") as book:
        (line,) = book.lines()
        kept = {m.use.machine.name: m.readings for m in machine_records(book)}
        assert kept.keys() == {line.oven.name, line.press.name}
        assert sum(map(len, kept.values())) == len(re.findall(r"INSERT INTO \"?gauge_readings", text))
        assert "before" not in str(book.audit())
        for kind in MACHINE_KINDS:
            read(book, line.name, -3, EARLIER, kind)
        before = {kind: told(book, line.name, kind) for kind in MACHINE_KINDS}
        book.save_line(Line("new line", Machine("new oven", 1, 1), Machine("new press", 1, 1)))
        for kind in MACHINE_KINDS:
            move(book, machine_meant(book, line.name, kind), "new line", "", "the room is given up")
        assert {kind: told(book, "new line", kind) for kind in MACHINE_KINDS} == before
        assert not any(gauge.readings for gauge in gauged_line(book, line.name).machines)
        assert book.check() == []


def test_stays_are_written_only_of_machines_that_moved(shop):
    assert shop.line("back").oven.before is None
    made = go(shop, "tunnel", "front")
    assert made.oven.before == (Stay("back"),)
