"""The comparison report: its words are true, its pictures hold every coupon, its page needs nothing else."""

from __future__ import annotations

import re
from dataclasses import fields, replace

import numpy as np
import pandas as pd
import pytest
from jinja2 import meta, nodes
from markupsafe import escape

from doe.assure.comparison.plan import ComparisonPlan
from doe.assure.comparison.verdict import compare_materials
from doe.domain.finding import Finding
from doe.domain.stack import Material
from doe.domain.units import Shown
from doe.words.cautions import CAUTIONS
from doe.words.comparison import lead, steps
from doe.words.typography import NO_BREAK
from reports.comparison.page import ComparisonPage, ComparisonReport, comparison_page, comparison_report
from reports.study.inputs import HistoryRow, Provenance
from tests.reports.study.samples import LINE, MADE_AT, STACK, make_study
from tests.reports.test_templates import trees, views_in
from tests.shared import untapped

PLAN = ComparisonPlan(
    recipe="navy <tee>",
    revision=2,
    in_use="navy 60/40 tee (Example Knits, lot K-204)",
    new="light tee (Orr, lot O-1)",
    differs={"fabric": "material"},
    stack="light tee",
    rate_margin=0.15,
    hand_margin=0.5,
    power=0.80,
    assurance=0.90,
    looks=2,
    supposed_rate=0.97,
    strokes=22,
    edge_strokes=4,
    edges=("hot edge",),
)


def coupons(pairs=22, *, new_fails=(), old_fails=(), edge_fails=(), waiting=(), void=(), hand=True):
    """A comparison's results as the book gives them: pairs at the setpoint, then four at the hot edge."""
    study = make_study()
    rng = np.random.default_rng(3)
    rows = []
    for pair in range(1, pairs + 5):
        role = "setpoint" if pair <= pairs else "hot edge"
        for material in ("new", "incumbent"):
            fails = new_fails if material == "new" else old_fails
            bad = pair in fails or (material == "new" and pair - pairs in edge_fails)
            settings = {f.name: (f.low + f.high) / 2 for f in study.factors}
            row = {
                "coupon": f"R1-{2 * pair - (material == 'new'):02d}",
                **settings,
                "passed": not bad,
                "side": "under" if bad else "",
                "round": 1,
                "role": role,
                "pair": pair,
                "material": material,
                "cure_batch": 1 + pair % 2,
                "symptom": "",
                "note": "",
                "void": "film torn" if pair in void and material == "new" else "",
            }
            for check in study.spec.checks:
                row[f"check_{check.name}"] = None if pair in waiting and check.after_washes else not bad
            for who in ("ana", "ben"):
                row[f"hand_{who}"] = round(2 * (4 + 0.3 * rng.normal())) / 2 if hand and not bad else np.nan
            rows.append(row)
    frame = pd.DataFrame(rows)
    return frame.astype({f"check_{c.name}": object for c in study.spec.checks})


def report(results=None, **changes):
    results = coupons() if results is None else results
    study = make_study()
    frame = results.drop(columns=["passed"]).assign(
        material=results["material"].map({"new": "new", "incumbent": "old"}), stroke=results["pair"]
    )
    judged = compare_materials(frame, study.spec, looks=2)
    made = ComparisonReport(
        study=study,
        stack=replace(STACK, fabric=Material("light tee", "Orr", "O-1")),
        line=LINE,
        in_use=STACK,
        plan=PLAN,
        judged=judged,
        results=results,
        rounds=1,
        looks_left=1,
        cautions=(Finding("judged_early"),),
        provenance=Provenance("abc123", "1.0", "Ana", MADE_AT),
        made_at=MADE_AT,
        history=(HistoryRow(MADE_AT, "Ana", "add round"),),
    )
    return replace(made, **changes)


CASES = {
    "holds": report,
    "retune": lambda: report(coupons(new_fails=range(1, 10))),
    "open": lambda: report(coupons(new_fails=(1, 2))),
    "waiting": lambda: report(coupons(waiting=(3, 4))),
    "edge": lambda: report(coupons(edge_fails=(1, 2, 3))),
}


@pytest.mark.parametrize(
    ("case", "verdict"),
    [
        ("holds", "same recipe holds"),
        ("retune", "retune"),
        ("open", "not enough coupons yet"),
        ("waiting", "not enough coupons yet"),
        ("edge", "retune"),
    ],
)
def test_the_verdict_stands_first_with_its_reasons(case, verdict):
    made = CASES[case]()
    assert made.judged.verdict == verdict
    page = comparison_page(made)
    assert page.headline == verdict.capitalize()
    text = untapped(comparison_report(made))
    assert text.index(page.headline) < text.index("Pictures</h2>") < text.index("Proof</h2>")
    for caution in CAUTIONS:
        assert str(escape(caution.split(":")[0])) in text


def test_the_lead_names_margin_and_assurance_and_claims_no_more():
    made = report()
    said = lead(made.plan, made.judged)
    assert "no more than 15 points less often" in said
    assert "with 90 % assurance" in said
    assert "no proof that both are the same" in said
    for case in ("retune", "open"):
        other = CASES[case]()
        assert "no more than" not in lead(other.plan, other.judged)


def test_counts_in_the_table_are_those_of_the_coupons():
    page = comparison_page(report(coupons(new_fails=(1, 2), old_fails=(2,), edge_fails=(1,))))
    assert page.count_table.rows[0][:3] == ("setpoint", "20 of 22", "21 of 22")
    assert page.count_table.rows[1] == ("hot edge", "3 of 4", "4 of 4", "in doubt")
    assert dict(page.pair_table.rows) == {
        "both passed": "20",
        "only the one in use passed": "1",
        "only the new one passed": "0",
        "neither passed": "1",
    }
    assert page.pair_picture.title == "At the setpoint 20 of 22 new and 21 of 22 in use passed"


def test_the_picture_of_pairs_holds_every_coupon_and_joins_those_that_differ():
    results = coupons(new_fails=(1, 2), old_fails=(2, 3), waiting=(4,), void=(5,))
    svg = str(comparison_page(report(results)).pair_picture.svg)
    assert svg.count("<g class=") == len(results)
    assert svg.count('<g class="under"') == 4
    assert svg.count('<g class="waiting"') == 2
    assert svg.count('<g class="missing"') == 1
    assert svg.count('class="split"') == 2  # pairs 1 and 3


def test_limits_in_titles_are_rounded_outward():
    for fails in range(6):
        made = report(coupons(new_fails=range(1, fails + 1)))
        limits, hand = made.judged.rates.limits, made.judged.hand
        rate, feel = (p.title for p in comparison_page(made).pictures[:2])
        if match := re.search(r"up to (\d+) point", rate):
            assert int(match[1]) >= -100 * limits.low - 1e-6
            assert int(match[1]) - 1 < -100 * limits.low
        low, high = (float(x) for x in re.findall(r"[-+]\d\.\d", feel.replace("\N{MINUS SIGN}", "-"))[:2])
        assert low <= hand.low + 1e-9
        assert high >= hand.high - 1e-9


def test_both_stacks_stand_side_by_side():
    rows = comparison_page(report()).stack_table.rows
    assert rows[0] == (
        "fabric",
        "navy 60/40 tee (Example Knits, lot K-204)",
        "light tee (Orr, lot O-1)",
        "another material",
    )
    assert rows[1][3] == "the same"
    gone = comparison_page(report(in_use=None)).stack_table.rows
    assert gone[0][1] == ""


def test_settings_stand_in_both_units_and_names_are_escaped():
    text = comparison_report(report(shown=Shown("degF"))).replace(NO_BREAK, " ")
    assert re.search(r"3\d\d °F \(1\d\d °C\)", text)
    assert "<tee>" not in text
    assert "navy &lt;tee&gt;" in text


def test_without_hand_feel_or_any_score_the_page_is_made_all_the_same():
    study = make_study()
    nothing = coupons(hand=False)
    for check in study.spec.checks:
        nothing[f"check_{check.name}"] = None
    page = comparison_page(report(nothing.assign(side="")))
    assert page.pictures == ()
    assert page.pair_table is None
    assert page.pair_picture.title == "Nothing is judged at the setpoint yet"
    assert "http" not in comparison_report(report(nothing.assign(side=""))).replace("http://www.w3.org", "")


def test_steps_fit_the_verdict():
    holds, retune, waiting = (CASES[c]() for c in ("holds", "retune", "waiting"))
    assert "as it is" in steps(holds.judged, looks_left=1)[0]
    assert "Do not use" in steps(retune.judged, looks_left=1)[0]
    assert "washes" in steps(waiting.judged, looks_left=1)[0]
    left = CASES["open"]()
    assert "Make the next round" in steps(left.judged, looks_left=1)[0]
    assert "No further round" in steps(left.judged, looks_left=0)[0]
    one = replace(left.judged, more_units=1)
    assert "about 1 more stroke," in steps(one, looks_left=1)[0]


def test_the_template_uses_every_field_and_no_other():
    wanted = {name for tree in trees("comparison.html").values() for name in meta.find_undeclared_variables(tree)}
    assert wanted == {field.name for field in fields(ComparisonPage)}
    asked = {n.attr for tree in trees("comparison.html").values() for n in tree.find_all(nodes.Getattr)}
    assert asked - {"index0", "last"} <= {f.name for v in views_in(ComparisonPage) for f in fields(v)}
    for view in views_in(ComparisonPage):
        assert [f.name for f in fields(view) if f.name not in (view.__doc__ or "")] == []
