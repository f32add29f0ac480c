"""Setting errors of a study: stated, measured by gauges, or usual; those of the trial; and changing them."""

from __future__ import annotations

import pytest

LINE = "back room"
PLACES = ("centre", "back left", "back right", "front left", "front right")
NEW = ("study", "new", "x", "--stack", "heavy tee, fine powder", "--line", LINE, "--factor", "dwell=8..20")


def measure(shop, *, scatter: float = 1.0, uneven: float = 3.0) -> None:
    """Thrice at five places of the press."""
    for i, place in enumerate(PLACES):
        at = 151 + (uneven if i % 2 else -uneven) * (place != "centre")
        values = [f"{at + scatter * d}" for d in (-1, 0, 1)]
        shop.good(
            "gauge",
            "add",
            LINE,
            "--machine",
            "press",
            "--set",
            "155",
            "--place",
            place,
            *(word for v in values for word in ("--measured", v)),
        )


def press_error(shop, *factor: str, **env) -> tuple[dict, str]:
    made = shop.good(*NEW, *(word for text in factor for word in ("--factor", text)), "--json", **env)
    (found,) = [f for f in made.json["study"]["factors"] if f["name"] == "press_temp"]
    return found, " ".join(shop.good("study", "show", "x").out.split())


def test_measured_error_is_taken_when_none_is_stated(shop_with):
    shop = shop_with(0)
    measure(shop)
    suggested = shop.good(*NEW, "--factor", "press_temp=140..170", "--json").json
    (one,) = [s for s in suggested["setting_errors"] if s["factor"] == "press_temp"]
    assert one["basis"] == "measured"
    (factor,) = [f for f in suggested["study"]["factors"] if f["name"] == "press_temp"]
    assert factor["setting_sd"] == one["sd"]
    assert 2 < one["sd"] < 5
    assert one["trial_sd"] < one["sd"]


def test_it_is_said_which_one_is_taken(shop_with):
    shop = shop_with(0)
    measure(shop)
    text = " ".join(shop.good(*NEW, "--factor", "press_temp=140..170").out.split())
    assert "measured by 21 gauge readings, since none was stated" in text
    assert "A trial that lays every coupon at one place wanders by" in text
    other = [word if word != "x" else "y" for word in NEW]
    text = " ".join(shop.good(*other, "--factor", "press_temp=140..170,sd=5,trial=2").out.split())
    assert "Setting error of press_temp: 5.0 °C (9.0 °F) as stated; 21 gauge readings suggest" in text
    assert "A trial that lays" not in text
    assert "5 °C (trial 2 °C)" in text


def test_stated_error_wins_over_the_measured_one(shop_with):
    shop = shop_with(0)
    measure(shop)
    found, _ = press_error(shop, "press_temp=140..170,sd=5")
    assert found["setting_sd"] == 5


def test_too_few_readings_leave_the_usual_error_and_say_so(shop_with):
    shop = shop_with(0)
    for number in ("8", "9"):  # two of the four places of the demo's map
        shop.good("gauge", "withdraw", number, "--why", "two places only")
    text = " ".join(shop.good(*NEW, "--factor", "press_temp=140..170").out.split())
    assert (
        "Setting error of press_temp: 5.0 °C (9.0 °F), usual; the readings give 1.5 °C (2.7 °F), but are too few"
        in text
    )


def test_single_reading_suggests_nothing(shop_with):
    shop = shop_with(0)
    shop.good("line", "add", "new room")
    shop.good("gauge", "add", "new room", "--machine", "press", "--set", "150", "--measured", "146")
    words = [word if word != LINE else "new room" for word in NEW]
    text = " ".join(shop.good(*words, "--factor", "press_temp=140..170,sd=4").out.split())
    assert "Setting error of press_temp: 4.0 °C (7.2 °F) as stated; the gauge readings do not tell it yet." in text
    text = " ".join(shop.good("study", "amend", "x").out.split())
    assert "press_temp: the gauge readings do not tell it yet." in text


def test_line_without_readings_says_nothing_of_them(shop_with):
    shop = shop_with(0)
    shop.good("line", "add", "new room")
    words = [word if word != LINE else "new room" for word in NEW]
    made = shop.good(*words, "--factor", "press_temp=140..170")
    assert "Setting error of" not in made.out


def test_trial_error_is_kept_and_shown(shop_with):
    found, text = press_error(shop_with(0), "press_temp=140..170,sd=5,trial=2")
    assert (found["setting_sd"], found["trial_sd"]) == (5, 2)
    assert "5 °C (trial 2 °C)" in text


def test_amend_changes_errors_with_a_reason_and_only_then(shop_with):
    shop = shop_with(0)
    words = ("study", "amend", "1", "--error", "press_temp=6", "--trial-error", "press_temp=2")
    assert "why" in shop.run(*words).err
    made = shop.good(*words, "--why", "a week of readings", "--json").json
    (factor,) = [f for f in made["factors"] if f["name"] == "press_temp"]
    assert (factor["setting_sd"], factor["trial_sd"]) == (6, 2)
    assert shop.good("study", "amend", "1", "--json").json["changed"] is False
    back = shop.good("study", "amend", "1", "--trial-error", "press_temp=none", "--why", "not so", "--json").json
    assert (
        "trial_sd" not in next(f for f in back["factors"] if f["name"] == "press_temp")
        or next(f for f in back["factors"] if f["name"] == "press_temp")["trial_sd"] is None
    )


def test_amend_reads_fahrenheit_as_a_difference(shop_with):
    shop = shop_with(0)
    words = ("study", "amend", "1", "--error", "press_temp=9", "--why", "gauge", "--json", "--temperature", "degF")
    made = shop.good(*words).json
    assert next(f for f in made["factors"] if f["name"] == "press_temp")["setting_sd"] == pytest.approx(5)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--error", "kettle=4"), "press_temp"),
        (("--error", "press_temp"), "press_temp"),
        (("--error", "press_temp=-1"), "0 or more"),
        (("--trial-error", "press_temp=nan"), "number"),
        (("--error", "press_temp=4", "--error", "press_temp=5"), "two values"),
        (("--error", "press_temp=none"), "number"),
    ],
)
def test_amend_refuses_what_cannot_be(shop_with, words, said):
    shop = shop_with(0)
    found = shop.run("study", "amend", "1", *words, "--why", "x")
    assert found.code == 2
    assert said in found.err
    assert len(found.errors) == 1


def test_answer_says_which_errors_were_counted_where(shop_with):
    shop = shop_with(1)
    before = shop.good("recommend", "1", "--json").json["errors_counted"]
    assert before[0].startswith(
        "Taken out of the coupons as the trial's own error, once: cure temperature 3 °C (5.4 °F)"
    )
    none = (w for f in ("cure_temp", "cure_time", "press_temp", "dwell") for w in ("--trial-error", f"{f}=0"))
    shop.good("study", "amend", "1", *none, "--why", "every setting measured")
    after = shop.good("recommend", "1", "--json").json
    assert after["errors_counted"][0].endswith("nothing, as the trial is stated to have had no setting error.")
    assert after["errors_counted"][1] == before[1]
    assert after["results_changed_since"] is not None  # the earlier answer stays in the book
    text = " ".join(shop.good("recommend", "1", "--more").out.split())
    assert after["errors_counted"][1] in text


def test_a_map_without_repeats_leaves_the_usual_error_and_says_what_it_lacks(shop_with):
    text = " ".join(shop_with(0).good(*NEW, "--factor", "press_temp=140..170").out.split())
    assert (
        "Setting error of press_temp: 5.0 °C (9.0 °F), usual; the readings give 1.0 °C (1.8 °F), "
        "without what changes from time to time" in text
    )
