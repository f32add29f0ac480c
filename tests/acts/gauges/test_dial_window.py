"""The report and a recipe's card give the same ends of a window on the dial."""

from __future__ import annotations

from doe.acts.gauges.line import gauged_line
from doe.words.gauges.dials import dial_setting, dial_window, whole_both
from tests.shop import STUDY


def test_a_window_on_the_dial_is_rounded_inward_everywhere_alike(shop_with):
    with shop_with(1).open() as book:
        record = book.study(STUDY)
        gauged = gauged_line(book, record)
    study, step = record.study, record.study.factor("press_temp").step
    for low in range(145, 160):
        made = dial_setting(gauged, study, "press_temp", low + 2.0)
        assert made is not None
        assert made.is_checked
        ends = gauged.dial_ends("press_temp", low, low + 4.0, made.dial_degc, step)
        told = dial_window(gauged, study, made, low, low + 4.0)
        assert told == " to ".join(dict.fromkeys(whole_both(end) for end in ends))
        # a narrow window may leave the dial no step: then it is held there
        narrow = gauged.dial_ends("press_temp", low + 1.9, low + 2.1, made.dial_degc, step)
        assert narrow == (made.dial_degc, made.dial_degc)
        assert dial_window(gauged, study, made, low + 1.9, low + 2.1) == f"{whole_both(made.dial_degc)} only"
