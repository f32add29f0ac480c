"""What takes seconds: acts that tell how far they are, and make what can be sent from another process."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

from doe.acts.comparison.retune import RetuneWishes, begin_retune
from doe.acts.comparison.verdict import judged_now
from doe.acts.confirmation.plan import ClaimOffer, ClaimWishes, compare_claims_for, plan_confirmation
from doe.acts.diagnosis import setting_of
from doe.acts.recipe.story import write_story
from doe.acts.study.drawings import draw_study, drawings_sum
from doe.acts.study.fits import recommend_study
from doe.acts.study.plans import compare_for, extend_study
from doe.acts.study.sheets import report_page
from doe.assure.comparison.verdict import Comparison
from doe.bench.beside import OutOfDateError, Progress
from doe.book.book import Book
from doe.book.records import AnalysisRecord, StudyRecord
from doe.domain.errors import InputError
from doe.domain.recipe import KeptRecipe
from doe.domain.units import Shown
from doe.plans.judge import PlanJudgement
from reports.views import StudyDrawings


def work_out_answer(book: Book, number: int, *, progress: Progress) -> None:
    """Recommend a setpoint, and keep the answer in the book."""
    recommend_study(book, number, progress=progress)


def draw(
    book: Book, record: StudyRecord, kept: AnalysisRecord, inputs: str, shown: Shown, *, progress: Progress
) -> StudyDrawings:
    """Room strips and maps of an answer, while it is the one to what is in the book."""
    with book.reading():
        if drawings_sum(book, book.study(record.id)) != inputs:
            raise OutOfDateError
        return draw_study(book, record, kept, shown=shown, progress=progress)


def offer_plans(
    book: Book, number: int, sizes: tuple[int, ...], shown: Shown, *, progress: Progress
) -> dict[int, PlanJudgement]:
    """The surest plan of each size; a size that no plan takes is left out."""
    found = {}
    for done, size in enumerate(sizes):
        progress(done / len(sizes))
        with suppress(InputError):
            found[size] = compare_for(book, number, coupons=size, shown=shown).judgements[0]
    return found


def plan_more(book: Book, number: int, coupons: int, shown: Shown, *, progress: Progress) -> None:
    """Plan more coupons where they help most."""
    extend_study(book, number, coupons=coupons, progress=progress, shown=shown)


def offer_claims(book: Book, number: int, *, progress: Progress) -> tuple[ClaimOffer | None]:
    """What claims cost, side by side; None where nothing can be confirmed."""
    try:
        return (compare_claims_for(book, number, ClaimWishes(), progress=progress),)
    except InputError:
        return (None,)


def fix_rule(book: Book, number: int, wishes: ClaimWishes, give_up: str, *, progress: Progress) -> None:
    """Fix the rule of a confirmation with its coupons."""
    plan_confirmation(book, number, wishes, give_up=give_up, progress=progress)


def judge(book: Book, number: int, *, progress: Progress) -> Comparison:
    """What the coupons of a comparison say."""
    del progress  # it is one step
    return judged_now(book, number)


def retune(book: Book, number: int, shown: Shown, *, progress: Progress) -> int:
    """Begin a retune with what a comparison and the old study know; the number of the new study."""
    progress(0.1)
    return begin_retune(book, number, RetuneWishes(), shown=shown).record.id


def ask_sides(
    book: Book, number: int, current: Mapping[str, float], kept: KeptRecipe, *, progress: Progress
) -> tuple[float | None, float | None]:
    """Chances of too little and of too much heat at some settings, from the study behind a recipe."""
    progress(0.1)
    full = setting_of(book, number, current, kept=kept)
    return full.p_under, full.p_over


def write_report(book: Book, number: int, shown: Shown, *, progress: Progress) -> str:
    """The report of a study, as a page."""
    found = recommend_study(book, number, progress=lambda share: progress(0.8 * share))
    return report_page(book, found, shown=shown)


def write_why(book: Book, name: str, shown: Shown, *, progress: Progress) -> str:
    """Why a recipe was chosen, as a page; its figures are made again."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "why.html"
        write_story(book, name, place, shown=shown, now=datetime.now(UTC), progress=progress)
        return place.read_text(encoding="utf-8")
