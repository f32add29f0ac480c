"""What a reader of the demo's report sees without moving a finger, how much there is to read, and to print."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from doe.acts.demo.run import BOOK, REPORT, DemoDone
from doe.acts.gauges.line import gauged_line
from doe.book.book import Book
from doe.setpoint.answer import Answer
from doe.words.typography import NO_BREAK
from doe.words.wording import prints, prints_at_least, stated
from tests.demo import copied

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.browser

DESK, PHONE = (1440, 900), (390, 844)
MOST_WORDS, MOST_PAGES = 1300, 6

# words whose whole line lies on the first screen
FIRST_SCREEN = """(() => {
  const words = [], walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const range = document.createRange(), node = walk.currentNode;
    if (node.parentElement.closest('script, style')) { continue; }
    for (const word of node.data.matchAll(/\\S+/g)) {
      range.setStart(node, word.index);
      range.setEnd(node, word.index + word[0].length);
      const r = range.getBoundingClientRect();
      if (r.width && r.top >= 0 && r.left >= 0 && r.bottom <= innerHeight && r.right <= innerWidth) {
        words.push(word[0]);
      }
    }
  }
  return words.join(' ');
})()"""


@dataclass(frozen=True)
class Told:
    """The demo's report, and what it has to say: ``dial`` and ``room`` by label, in the units of the page."""

    path: Path
    answer: Answer
    dial: dict[str, str]
    room: dict[str, tuple[int, int]]


@pytest.fixture(scope="module")
def told(demo_of_the_run: DemoDone, tmp_path_factory: pytest.TempPathFactory) -> Told:
    done = copied(demo_of_the_run, tmp_path_factory.mktemp("demo") / "demo")
    study, answer = done.story.study, done.answers[-1].answer
    with Book.open(done.path(BOOK), who="reader", create=False) as book:
        (record,) = (book.study(s.id) for s in book.studies() if s.name == study.name)
        gauged = gauged_line(book, record)
    dial, room = {}, {}
    for f, may in zip(study.numeric, answer.room, strict=True):
        here, low, high = (
            value if (found := gauged.dial(f.name, value)) is None else found.dial_degc
            for value in (float(answer.setpoint[f.name]), may.low, may.high)
        )
        dial[f.label] = f"{round(here)} {'°C' if f.is_temperature else 's'}"
        room[f.label] = round(low), round(high)
    return Told(done.path(REPORT), answer, dial, room)


def opened(browser: Browser, told: Told, size: tuple[int, int]) -> Page:
    page = browser.new_page(viewport={"width": size[0], "height": size[1]})
    page.goto(told.path.as_uri())
    return page


@pytest.mark.parametrize("size", [DESK, PHONE])
def test_the_first_screen_says_what_to_dial_in_how_sure_how_far_and_what_next(browser, told, size):
    page = opened(browser, told, size)
    # a word that can be tapped stands apart from the mark behind it
    seen = re.sub(r" ([:;,.])", r"\1", page.evaluate(FIRST_SCREEN).replace(NO_BREAK, " "))
    steps = page.locator("#steps + ol li").all_inner_texts()
    page.close()
    answer = told.answer
    for label, value in told.dial.items():
        assert f"{label} {value}" in seen
    # how sure
    assert f"we expect {prints(answer.pass_rate)}" in seen
    assert f"assurance: {prints_at_least(answer.pass_rate_low)}" in seen
    assert f"wanted are {stated(0.95).removesuffix(' %')} of 100 prints" in seen
    # how far: inward from the surface's ends, so a step less at the most
    for label, (low, high) in told.room.items():
        found = re.search(rf"{label} .*?alone (\d+) to (\d+)", seen)
        assert found is not None
        assert 0 <= int(found[1]) - low <= 1
        assert 0 <= high - int(found[2]) <= 1
    # what next
    assert "Next steps" in seen
    assert steps
    for step in steps:
        assert step.replace(NO_BREAK, " ") in seen


@pytest.mark.parametrize("size", [DESK, PHONE])
def test_unfolded_it_is_read_in_a_few_minutes(browser, told, size):
    page = opened(browser, told, size)
    words = page.evaluate("document.body.innerText").split()
    page.close()
    assert 400 < len(words) <= MOST_WORDS


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_printed_it_is_a_few_pages_and_the_fold_is_left_out(browser, told, paper):
    page = opened(browser, told, DESK)
    folded = _pages(page.pdf(format=paper))
    page.evaluate("document.getElementById('statistician').open = true")
    whole = _pages(page.pdf(format=paper))
    page.close()
    assert 2 <= folded <= MOST_PAGES < whole


def _pages(printed: bytes) -> int:
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", printed))


def test_nothing_is_cut_on_the_narrowest_phone(browser, told):
    page = opened(browser, told, (320, 640))
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    assert page.evaluate("document.documentElement.scrollWidth") <= 320
    cut = page.evaluate(
        "[...document.querySelectorAll('body *')].filter(e => e.getBoundingClientRect().right > 321"
        " && !e.closest('.wide') && !e.closest('svg')).map(e => e.tagName + '.' + e.className)"
    )
    page.close()
    assert cut == []
