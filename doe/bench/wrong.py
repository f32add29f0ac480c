"""What went wrong with a coupon: causes ranked, the check that tells most per minute, and what it turned out to be."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from urllib.parse import urlencode

from starlette.responses import Response

from doe.acts.diagnosis import CASE, Diagnosed, Setting, came_back, close_case, diagnose_case, keep_case, setting_of
from doe.acts.scoring.making import Coupon, Making
from doe.bench.views import Choice, Frame, Group, Hidden, Link, WrongPage
from doe.bench.web import Visit, coupon_place, page
from doe.domain.errors import InputError
from doe.symptoms.catalogue import WORDS, look
from doe.symptoms.diagnosis import Evidence
from doe.symptoms.known import Known
from doe.words import diagnosis as words
from doe.words.cautions import FOOTER
from doe.words.gauges.cautions import status_words
from doe.words.press import told

MOST_CAUSES, MOST_LOOKS = 5, 3
LEAST = 0.03


def wrong(visit: Visit) -> Response:
    """The diagnosis of a coupon, with the checks made so far in the address."""
    making, coupon = _coupon(visit)
    found = checks_made(visit.request.query_params.getlist("found"))
    setting, evidence = _case(visit, making, coupon, found)
    done = diagnose_case(visit.bench.shop.look, evidence, setting)
    frame = visit.frame(making, coupon)
    view = diagnosis_page(
        visit,
        frame,
        done,
        setting,
        found,
        here=f"/wrong/{frame.at}",
        action=f"/case/{frame.at}",
        title=told("wrong_coupon", coupon=coupon.name),
        back=Link(told("wrong_back", coupon=coupon.name), f"/c/{frame.at}"),
        of_plan=True,
    )
    return page("bench_wrong.html", view)


def keep(visit: Visit) -> str:
    """Keep what it turned out to be, so that the shop's odds learn; the very same case adds nothing."""
    making, coupon = _coupon(visit)
    cause = visit.text("cause")
    if not cause:
        raise InputError("cause", "nothing", "one of the causes, or none of them", "Choose what it turned out to be.")
    setting, evidence = _case(visit, making, coupon, checks_made(visit.texts("found")))
    back, note = came_back(visit.text("back")), visit.text("note")
    with visit.storing() as book:
        kept = [n for n in book.notes(CASE, setting.name) if n.data.get("coupon") == coupon.name]
        key = "" if cause == "none" else cause
        same = [n for n in kept if (n.data["cause"], tuple(n.data["symptoms"])) == (key, evidence.symptoms)]
        if not kept:
            keep_case(book, setting, evidence, cause, coupon=coupon.name, back=back, note=note)
        elif not same:
            raise InputError(
                f"case of {coupon.name}",
                "another cause that is kept already",
                "one cause a coupon",
                "Take the other one back first: doe diagnose --past, then --withdraw.",
            )
        elif back and not same[-1].data.get("back"):
            close_case(book, same[-1].id, back, words.CLOSED, note)
    return f"/wrong/{coupon_place(making.record.id, coupon.name)}?done={back or 'kept'}"


def _coupon(visit: Visit) -> tuple[Making, Coupon]:
    making, coupon = visit.coupon()
    if "symptoms" not in coupon.said:
        raise InputError(f"coupon {coupon.name}", "no symptom", "a coupon with one", "Tick what is seen on it first.")
    return making, coupon


def checks_made(texts: list[str]) -> dict[str, str]:
    """Checks made, by key, with their outcomes."""
    found = {}
    for text in texts[:40]:
        key, _, outcome = text.partition(":")
        made = look(key)
        found[made.key] = made.outcome_keys()[made.place(outcome)]
    return found


def _case(visit: Visit, making: Making, coupon: Coupon, found: dict[str, str]) -> tuple[Setting, Evidence]:
    current = {f.name: float(coupon.settings[f.name]) for f in making.record.study.numeric}
    setting = setting_of(visit.bench.shop.look, making.record.id, current, ask_surfaces=False, given="study")
    held = making.record.study.held

    def seconds(name: str) -> float | None:
        value = current.get(name, held.get(name))
        return float(value) if isinstance(value, (int, float)) else None

    known = setting.added_to(Known(peel_wait_s=seconds("peel_wait"), gap_s=seconds("cooling_gap")))
    symptoms = coupon.said["symptoms"].value
    assert isinstance(symptoms, tuple)
    return setting, Evidence(tuple(map(str, symptoms)), known=known, found=found)


def diagnosis_page(
    visit: Visit,
    frame: Frame,
    done: Diagnosed,
    setting: Setting,
    found: Mapping[str, str],
    *,
    here: str,
    action: str,
    title: str,
    back: Link,
    of_plan: bool,
    carried: Sequence[Hidden] = (),
) -> WrongPage:
    """View-model of a diagnosis at the address ``here``, which with ``carried`` says what it is about."""
    diagnosis, shown = done.diagnosis, visit.bench.shop.shown
    made = tuple(Hidden("found", f"{key}:{outcome}") for key, outcome in found.items())

    def with_outcome(key: str, outcome: str) -> str:
        return f"{here}?{sent((*carried, *made, Hidden('found', f'{key}:{outcome}')))}"

    looks = tuple(
        Group(
            words.check_words(n),
            (
                *(Link(o.words, with_outcome(n.look.key, o.key)) for o in n.look.outcomes),
                Link(n.look.usual, with_outcome(n.look.key, "usual")),
            ),
        )
        for n in diagnosis.checks[:MOST_LOOKS]
    )
    likely = [c for c in diagnosis.causes[:MOST_CAUSES] if c.p >= LEAST]
    return WrongPage(
        frame=frame,
        kept=told(f"wrong_{done_so}") if (done_so := visit.query("done")) in ("kept", "passed", "failed") else "",
        headline=words.headline(diagnosis),
        stop=words.stop_sentences(done.advice, setting.beyond),
        advice=(
            *words.advice_sentences(diagnosis, done.advice, shown),
            *(status_words(status, shown) for status in setting.not_read),
        ),
        causes=tuple((c.fault.label, words.likelihood(c.p), words.chance(c.p)) for c in likely),
        reasons=words.reasons(diagnosis, WORDS.labels, shown),
        remedies=words.remedies(done.evidence),
        remedies_title=words.REMEDIES,
        caution=FOOTER,
        looks=looks,
        found=tuple(words.made_words(key, outcome) for key, outcome in found.items()),
        closing=words.odds_sentence(diagnosis),
        turned_out=tuple(Choice(c.fault.key, c.fault.label) for c in likely),
        fields=(*carried, *made),
        title=title,
        action=action,
        here=f"{here}?{sent(carried)}" if carried else here,
        back=back,
        of_plan=of_plan,
    )


def sent(fields: Sequence[Hidden]) -> str:
    """Fields as they stand in an address."""
    return urlencode([(f.name, f.value) for f in fields])
