"""The demo: whole, honest about being invented, safe to run twice, and never in the way of anybody's files."""

from __future__ import annotations

import importlib.util
import os
import re
import shlex
from dataclasses import replace
from pathlib import Path

import pytest

from doe.acts.demo.run import WHO, read_comparisons, run_demo
from doe.acts.demo.story import packaged, read_rounds, read_story, simulated_line
from doe.book.book import Book
from doe.domain.errors import InputError
from doe.domain.units import METRIC
from doe.plans.plan import columns
from tests.demo import copied
from tests.shop import Shop

FILES = {
    "book.sqlite",
    "sheet.html",
    "entry.xlsx",
    "report.html",
    "recipe-card.html",
    "comparison-holds.html",
    "comparison-retune.html",
}


@pytest.fixture(scope="module")
def demo(demo_of_the_run, tmp_path_factory):
    return copied(demo_of_the_run, tmp_path_factory.mktemp("demo") / "doe-demo")


def test_the_demo_leaves_its_files_and_nothing_else(demo):
    done = demo
    assert {p.name for p in done.folder.iterdir()} == FILES


def test_the_demo_ends_with_a_setpoint_worth_confirming(demo):
    done = demo
    assert [a.answer.verdict for a in done.answers] == ["more coupons", "ready"]


def test_the_settings_it_calls_ready_are_good_on_the_line_that_made_the_coupons(demo):
    import pandas as pd

    answer = demo.answers[-1].answer
    assert simulated_line(read_story()).robust_pass(pd.DataFrame([answer.setpoint]))[0] >= 0.95


def test_its_window_leaves_a_setting_error_to_each_side_of_every_setting_with_a_coupon_inside(demo):
    found = demo.answers[-1]
    study, setpoint, window = found.fitted.record.study, found.answer.setpoint, found.answer.window
    assert window is not None
    low, high = dict(window.bounds["low"]), dict(window.bounds["high"])
    for f in study.numeric:
        assert min(setpoint[f.name] - low[f.name], high[f.name] - setpoint[f.name]) >= f.setting_sd, f.name
    coupons = found.fitted.surfaces.results.settings
    inside = [all(low[n] <= row[n] <= high[n] for n in setpoint) for row in coupons.to_dict("records")]
    assert any(inside)


def test_everything_printed_says_that_it_is_invented_and_carries_the_cautions(demo):
    done = demo
    for name in FILES - {"book.sqlite", "entry.xlsx"}:
        page = done.path(name).read_text(encoding="utf-8")
        assert "invented" in page
        assert "burn" in page.lower()
    assert "Invented" in packaged("round-1.csv").splitlines()[0]


def test_its_book_is_sound_and_every_act_is_the_demos(demo):
    with Book.open(demo.path("book.sqlite"), who="test", create=False) as book:
        assert book.check() == []
        assert {act.who for act in book.audit(None)} == {WHO}
        scored = {s.name: s.scored for s in book.studies()}
        assert scored[read_story().study.name] == 31  # those that confirm it are counted apart
        assert set(scored) - {read_story().study.name} == {told.name for told in read_comparisons()}


def test_the_answer_is_confirmed_released_and_compared(demo):
    assert demo.later == (
        "Confirmation, 30 coupons: accepted.",
        "Released: fine powder on the heavy tee, revision 1.",
        "Compared, blank of Orrin: same recipe holds.",
        "Compared, blank of Kestrow: retune.",
    )
    with Book.open(demo.path("book.sqlite"), who="test", create=False) as book:
        (kept,) = book.recipes()
    assert kept.in_force
    assert kept.recipe.confirmation is not None
    assert kept.recipe.confirmation.failed == 0
    setpoint = demo.answers[-1].answer.setpoint
    assert {s.factor: s.surface for s in kept.recipe.settings if s.factor in setpoint} == dict(setpoint)
    for name in ("cure_temp", "press_temp"):  # both machines show more than they give
        setting = kept.recipe.setting(name)
        assert setting.dial > setting.surface
    assert "fine powder on the heavy tee" in demo.path("recipe-card.html").read_text(encoding="utf-8")
    assert "Same recipe holds" in demo.path("comparison-holds.html").read_text(encoding="utf-8")
    assert "Retune" in demo.path("comparison-retune.html").read_text(encoding="utf-8")


def test_what_the_comparisons_say_is_true_on_the_line_that_made_the_coupons(demo):
    import pandas as pd

    line = simulated_line(read_story())
    setpoint = pd.DataFrame([demo.answers[-1].answer.setpoint])
    rates = []
    for told in read_comparisons():
        offsets = {name: line.display_offset[name] + told.shift.get(name, 0.0) for name in line.display_offset}
        rates.append(replace(line, display_offset=offsets).robust_pass(setpoint)[0])
    assert rates[0] >= 0.95
    assert rates[1] < 0.80


def test_running_it_again_makes_it_anew(demo):
    done = demo
    again = run_demo(done.folder, shown=METRIC)
    assert {p.name for p in done.folder.iterdir()} == FILES
    assert again.answers[-1].answer.setpoint == done.answers[-1].answer.setpoint
    assert again.kept_book is None


def test_work_of_others_in_the_demo_book_is_kept(shop_with, monkeypatch):
    folder = shop_with(0).folder / "doe-demo"
    folder.mkdir()
    with Book.open(folder / "book.sqlite", who=WHO) as book:
        book.save_line(read_story().line)
    with Book.open(folder / "book.sqlite", who="ana") as book:
        book.save_stack(read_story().stack)
    (folder / "notes.txt").write_text("mine")
    monkeypatch.setattr("doe.acts.demo.run._tell_story", pretend)
    done = run_demo(folder, shown=METRIC)
    assert done.kept_book is not None
    with Book.open(done.kept_book, who="ana", create=False) as book:
        assert len(book.stacks()) == 1
    assert (folder / "notes.txt").read_text() == "mine"


def pretend(work: Path, *_):
    for name in FILES:
        (work / name).write_text("new")
    return (), ()


def test_a_stop_on_the_way_leaves_the_folder_as_it_was(tmp_path, monkeypatch):
    folder = tmp_path / "doe-demo"
    folder.mkdir()
    with Book.open(folder / "book.sqlite", who=WHO) as book:
        book.save_line(read_story().line)
    before = (folder / "book.sqlite").read_bytes()

    def stopped(work: Path, *_):
        (work / "report.html").write_text("half")
        raise KeyboardInterrupt

    monkeypatch.setattr("doe.acts.demo.run._tell_story", stopped)
    with pytest.raises(KeyboardInterrupt):
        run_demo(folder, shown=METRIC)
    assert [p.name for p in folder.iterdir()] == ["book.sqlite"]
    assert (folder / "book.sqlite").read_bytes() == before


@pytest.mark.parametrize("name", ["book.sqlite", "report.html"])
def test_a_folder_with_files_of_others_is_refused_and_left_alone(tmp_path, name):
    (tmp_path / name).write_text("mine")
    with pytest.raises(InputError, match="not made by the demo"):
        run_demo(tmp_path, shown=METRIC)
    assert [(p.name, p.read_text()) for p in tmp_path.iterdir()] == [(name, "mine")]


@pytest.mark.in_file("the demo makes files")
def test_a_book_of_a_real_shop_is_refused(shop_with):
    shop = shop_with(1)
    shop.book.rename(shop.folder / "book.sqlite")
    found = shop.run("demo", ".")
    assert (found.code, len(found.errors)) == (2, 1)
    assert "not made by the demo" in found.err


def test_the_demo_command_says_where_the_report_is_and_how_to_do_it_by_hand(demo, shop_with, monkeypatch):
    monkeypatch.setattr("doe.cli.demo.run_demo", lambda folder, **_: demo)
    shop = shop_with(0)
    text = shop.good("demo").out
    assert str(demo.path("report.html")) in text.replace("\n", "")
    assert "doe study new" in shop.good("demo", "--more").out
    found = shop.good("demo", "--json").json
    assert found["invented"] is True
    assert Path(found["files"]["report"]).exists()


def test_the_commands_by_hand_make_the_same_study(empty_shop):
    story = read_story()
    for line in story.commands[:3]:
        empty_shop.good(*shlex.split(line)[1:])
    with empty_shop.open() as book:
        record = book.study(story.study.name)
    assert (record.study, record.stack, record.line) == (story.study, story.stack, story.line)


def test_the_commands_by_hand_mean_the_same_to_whoever_works_in_other_units(empty_shop):
    story = read_story()
    for line in story.commands[:3]:
        empty_shop.good(*shlex.split(line)[1:], env={"DOE_UNITS": "degF psi"})
    with empty_shop.open() as book:
        record = book.study(story.study.name)
    for typed, told in zip(record.study.numeric, story.study.numeric, strict=True):
        assert (typed.low, typed.high, typed.setting_sd) == pytest.approx((told.low, told.high, told.setting_sd))
    assert (record.study.limits, record.line) == (story.study.limits, story.line)


def test_the_stored_coupons_lie_inside_their_study():
    import pandas as pd

    from doe.domain.masks import is_forbidden

    story = read_story()
    coupons = pd.concat([r.coupons for r in read_rounds(story)], ignore_index=True)
    assert list(coupons.columns) == columns(story.study)
    for f in story.study.factors:
        assert coupons[f.name].between(f.low, f.high).all()
    assert not is_forbidden(story.study.forbidden, coupons).any()


def bench(name):
    path = Path(__file__).parents[1] / "benchmarks" / f"{name}.py"
    spec = importlib.util.spec_from_file_location(name, path)
    maker = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(maker)
    return maker


def test_making_the_scores_again_gives_the_stored_files():
    maker = bench("make_demo_data")
    story = read_story()
    made = maker.make_files(story, maker.stored_settings(story))
    assert made == {name: packaged(name) for name in made}
    assert len(made) == 2


def test_making_the_confirmation_again_gives_the_stored_file(demo):
    story = read_story()
    with Book.open(demo.path("book.sqlite"), who="test", create=False) as book:
        coupons = book.plan_coupons(story.study.name)
    kept = packaged("confirmation.csv")
    day = int(kept.split("day seed ")[1].split(",")[0])
    assert bench("make_demo_later").score(story, coupons[coupons["round"] == 3], day) == kept


def test_the_gauge_readings_are_read_as_they_stand():
    readings = read_story().readings
    assert len(readings) == 9
    assert {r.machine for r in readings} == {"oven", "press"}


def test_the_map_of_its_press_can_be_drawn_at_once_and_shows_an_even_platen(demo):
    shop = Shop(demo.folder, demo.path("book.sqlite"))
    found = shop.good("gauge", "map", read_story().line.name, "--json").json["map"]
    assert found["deviation_delta_degc"] == [[-6.0, None, -5.0], [None, -4.0, None], [-4.0, None, None]]
    assert found["is_even"]  # so that coupons of the story may lie anywhere on it
    assert (found["cold"], found["hot"]) == ([], [])


def test_the_coupons_were_dialled_in_by_the_gauge_readings():
    from doe.acts.demo.story import display_offsets, simulated_line

    story = read_story()
    assert display_offsets(story) == {"cure_temp": -3.0, "press_temp": -4.0}
    # what remains between wanted and real surface is the error of the readings, a fraction of a degree
    remains = simulated_line(story).display_offset
    assert set(remains) == {"cure_temp", "press_temp"}
    assert all(0 < abs(off) < 0.5 for off in remains.values())


def test_its_sheet_dials_in_more_than_the_surface_shall_have(demo):
    page = demo.path("sheet.html").read_text(encoding="utf-8").replace("\u00a0", " ")
    assert "143 °C (289 °F) <span>press temperature to dial in, for 140 °C (284 °F) on the surface</span>" in page
    assert "isplay not checked" not in page


def test_its_report_shows_surface_and_dial_and_says_what_the_card_says(demo):
    page = demo.path("report.html").read_text(encoding="utf-8").replace("\u00a0", " ")
    assert "Released as revision 1" in page
    assert "Release the recipe with this confirmation." not in page  # it is released, and its card lies beside
    assert "What to dial in on back room" in page
    assert re.search(
        r'class="big">124 °C</span> <span class="other">255 °F</span></dd>\s*<dd class="range">surface 121 °C', page
    )
    assert "isplay not checked" not in page
    assert "are dial settings" not in page


def test_what_a_killed_demo_left_is_taken_away(tmp_path, monkeypatch):
    def stopped(*_):
        raise InputError("demo", "a stop", "none", "Start it again.")

    monkeypatch.setattr("doe.acts.demo.run._tell_story", stopped)
    old, young = tmp_path / ".making-old", tmp_path / ".making-young"
    for left in (old, young):
        left.mkdir()
        (left / "book.sqlite").write_text("half")
    os.utime(old, (0, 0))
    with pytest.raises(InputError, match="a stop"):
        run_demo(tmp_path, shown=METRIC)
    assert [path.name for path in tmp_path.iterdir()] == [young.name]  # another demo may still be at work in it
