"""Lines drawn from the population are what its hyper-parameters say, whatever the family; locked ones stay apart."""

from __future__ import annotations

import ast
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import qmc

import doe
from doe.domain.errors import InputError
from doe.practice.lines import REACHABLE, SimulatedLine
from doe.practice.population.draw import FAMILIES, OUT_OF_REACH, WORLD, draw_line
from tests.benchmarks import chances, plan_kinds, stopping, thresholds, uneven_walls
from tests.benchmarks.locked_families import LOCKED, locked_hand
from tests.benchmarks.population import draw_other_study, draw_study

SPOTS = 2 * qmc.Sobol(4, rng=3).random(256) - 1


def line_of(family: str, seed: int, hand_min: float | None = None) -> SimulatedLine:
    study = draw_study(seed, hand_min=hand_min)
    if family in LOCKED:
        return draw_line(family, seed, study, families=LOCKED, hands=locked_hand)
    return draw_line(family, seed, study)


@pytest.mark.parametrize("family", [*FAMILIES, *LOCKED])
def test_every_family_gives_lines_of_the_population(family: str) -> None:
    for seed in (0, 1, 2):
        line = line_of(family, seed)
        frame = line.frame(SPOTS)
        shares = [line.true_pass(frame), line.true_under(frame), line.true_over(frame), line.true_other(frame)]
        assert sum(shares) == pytest.approx(np.ones(len(frame)))
        assert 0.5 * WORLD.share[0] <= shares[0].mean() <= 1.2 * WORLD.share[1]
        best = line.best().robust_pass
        assert best >= REACHABLE or best <= OUT_OF_REACH
        assert (line.robust_pass(frame, nodes=64) >= 0.95).mean() <= WORLD.reach[
            1
        ] + 0.1  # other points than it was held to
        assert (line.true_hand(frame) >= 1).all()
        assert (line.true_hand(frame) <= 5).all()


def test_the_same_seed_gives_the_same_line_and_another_seed_another() -> None:
    first, again, other = line_of("layers", 4), line_of("layers", 4), line_of("layers", 5)
    frame = first.frame(SPOTS)
    np.testing.assert_array_equal(first.true_pass(frame), again.true_pass(frame))
    assert not np.allclose(first.true_pass(frame), other.true_pass(other.frame(SPOTS)))


def test_ranges_are_of_the_widths_of_the_population() -> None:
    factors = [f for seed in range(40) for f in draw_study(seed).numeric]
    widths = np.array([(f.high - f.low) / f.setting_sd for f in factors])
    assert widths.min() >= WORLD.width[0] - 1  # rounded to whole degrees and tenths of a second
    assert widths.max() <= WORLD.width[1] + 1
    assert widths.min() < 7
    assert widths.max() > 12
    ratios = np.array([f.high / f.low for f in factors if f.scale == "log"])
    assert ratios.min() < 2.6
    assert 4 < ratios.max() < 5.6


def test_a_quarter_of_the_lines_is_out_of_reach() -> None:
    hopeless = [line_of("bowl", seed).best().robust_pass <= OUT_OF_REACH for seed in range(60)]
    assert 6 <= sum(hopeless) <= 26  # 15 expected, binomial


def test_hand_feel_in_the_spec_counts_for_what_is_reachable() -> None:
    line = line_of("slabs", 0, hand_min=3.5)
    at_best = line.frame(SPOTS[:1]).assign(**dict(line.best().settings))
    assert line.best().robust_pass < REACHABLE or line.true_hand(at_best)[0] > 3.4


@pytest.mark.parametrize("family", list(FAMILIES))
def test_other_questions_have_lines_too(family: str) -> None:
    """Two settings, or settings the family knows nothing special of, and levels."""
    two = doe.Study(
        name="press alone",
        factors=(
            doe.Factor("press_temp", "degC", low=135, high=175, setting_sd=4, hard_to_change=True),
            doe.Factor("dwell", "s", low=7, high=21, setting_sd=1.2, scale="log"),
        ),
        spec=doe.Spec(pass_rate=0.95, hand_min=None),
    )
    levels = replace(
        draw_study(3),
        factors=(*draw_study(3).factors, doe.Factor("fabric", levels=("smooth", "rough"))),
    )
    for study in (two, levels):
        line = draw_line(family, 1, study)
        results = line.run(doe.make_plan(study, coupons=16, seed=1).coupons, seed=1)
        assert len(results) == 16


@pytest.mark.parametrize(("settings", "named"), [(2, 0), (3, 0), (3, 1), (5, 0)])
def test_questions_over_other_factors_have_ranges_as_wide(settings: int, named: int) -> None:
    chosen = [draw_other_study(seed, settings, named) for seed in range(30)]
    assert {(len(s.numeric), len(s.categorical)) for s in chosen} == {(settings, named)}
    assert len({s.factor_names for s in chosen}) == {2: 2, 3: 4, 5: 1}[settings]
    widths = np.array([(f.high - f.low) / f.setting_sd for s in chosen for f in s.numeric])
    assert WORLD.width[0] - 1 <= widths.min() < 7
    assert 12 < widths.max() <= WORLD.width[1] + 1
    usual = {f.name: f for f in draw_study(7).factors}
    assert [f for f in chosen[7].numeric if f.name != "pressure"] == [
        usual[f.name] for f in chosen[7].numeric if f.name != "pressure"
    ]


def test_a_family_nobody_knows_is_refused() -> None:
    with pytest.raises(InputError, match="family of lines"):
        draw_line("square", 0, draw_study(0))


def test_no_choice_can_be_made_on_the_locked_families() -> None:
    """They live beside the benchmarks, and nothing of the tool reaches for them."""
    assert not set(LOCKED) & set(FAMILIES)
    tool = [p for top in ("doe", "reports") for p in Path(__file__).parents[3].joinpath(top).rglob("*.py")]
    assert tool
    assert not [p for p in tool if "locked_families" in p.read_text(encoding="utf-8")]


BENCHMARKS = Path(__file__).parents[2] / "benchmarks"
CHOOSING = {
    "chances": (chances, "--records"),
    "plan_kinds": (plan_kinds, "--out"),
    "stopping": (stopping, "--out"),
    "thresholds": (thresholds, "--records"),
    "uneven_walls": (uneven_walls, "--out"),
}
"""Scripts on whose figures something of the tool is chosen, and where they take kept records from."""
PUBLISHING = {
    *("calibration", "classical_intervals", "confirmation", "decisions", "priors"),
    "prior_knowledge",  # on kinds of line of `doe.practice.lines`, none of them locked
}
"""Scripts that the tool's own texts name and that only measure it."""


def test_every_script_that_the_tool_names_as_its_source_chooses_or_publishes() -> None:
    top = Path(__file__).parents[3]
    texts = [p.read_text("utf-8") for part in ("doe", "reports") for p in top.joinpath(part).rglob("*.py")]
    texts += [p.read_text("utf-8") for p in top.joinpath("templates", "tables").glob("*.toml")]
    named = {name for text in texts for name in re.findall(r"tests/benchmarks/(\w+)\.py", text)}
    assert named >= {"chances", "plan_kinds", "stopping", "decisions"}
    assert named <= {*CHOOSING, *PUBLISHING}


def test_what_the_tool_reads_is_written_by_scripts_that_choose() -> None:
    """A script that writes outside the pages of results writes what the tool reads."""
    makers = {"headlines", "make_demo_data", "make_demo_later", "make_faces"}  # tables of README, the demo, characters
    writing = {p.stem for p in BENCHMARKS.glob("*.py") if "write_text(" in p.read_text("utf-8")}
    assert writing - makers - {"results"} <= set(CHOOSING)


@pytest.mark.parametrize("name", CHOOSING)
def test_a_script_that_chooses_neither_draws_nor_takes_lines_of_locked_families(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    module, option = CHOOSING[name]
    tree = ast.parse(BENCHMARKS.joinpath(f"{name}.py").read_text("utf-8"))
    imported = {a.name for node in ast.walk(tree) if isinstance(node, ast.Import | ast.ImportFrom) for a in node.names}
    assert not imported & {"LOCKED", "WORLDS", "locked_hand", "locked_families"}
    kept = tmp_path / "published.jsonl"
    locked = next(iter(LOCKED))
    kept.write_text(json.dumps({"kind": locked, "family": locked, "seed": 1, "true": 0.9}) + "\n", encoding="utf-8")
    monkeypatch.setattr("sys.argv", [name, option, str(kept)])
    with pytest.raises(SystemExit, match="nothing is chosen on"):
        module.main()


def test_only_scripts_that_publish_ask_for_lines_of_locked_families() -> None:
    benchmarks = BENCHMARKS
    asking = [p.stem for p in benchmarks.glob("*.py") if re.search(r"\bLOCKED\b|\"locked\"", p.read_text("utf-8"))]
    assert sorted(asking) == ["decision_case", "locked_families", "shops", "side_by_side"]
