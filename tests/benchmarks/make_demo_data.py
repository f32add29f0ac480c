"""Make the coupons of the demo anew: `python -m tests.benchmarks.make_demo_data` (add --scores to keep the settings).

Without --scores the settings are planned again as well, round 2 from the fit of round 1: do that after the planner or
the fit changed for the better. With --scores only the results are made again, from the stored settings; a test
compares those with the stored files. With --days N the first N day seeds are tried and what each would tell is
printed. The demo's day, and the seed of its second round, were picked to show a second round and a window with room to
both sides of every setting, so the demo says nothing about how often the tool is right.
"""

from __future__ import annotations

import csv
import io
import sys
from pathlib import Path

import pandas as pd

from doe.acts.base import usual_seed
from doe.acts.demo.story import Story, display_offsets, read_rounds, read_story, simulated_line
from doe.plans.build import make_plan
from doe.plans.plan import columns
from doe.setpoint.extension import extend_plan
from doe.setpoint.recommendation import recommend
from doe.surfaces.fitted import fit

DEMO = Path(__file__).parents[2] / "demo"
SPOILED = {"R1-14": "film torn on the way to the press"}
"""Coupons that the story loses, with what happened."""


def header(story: Story, number: int) -> str:
    """How the file was made, as comment lines."""
    made = story.data["simulated"]
    rounds = story.data["rounds"][number - 1]
    offsets = ", ".join(f"{name} {value:+g} degC" for name, value in display_offsets(story).items())
    how = (
        f"planned with kind {rounds['kind']}, seed {rounds['seed']}"
        if number == 1
        else f"chosen from the fit of round 1, seed {rounds['seed']}"
    )
    return (
        "# Invented results of an invented shop; no coupon was pressed.\n"
        f"# Settings: {how}.\n"
        f"# Scores: simulated line of doe/practice/demo.py, day seed {made['day_seed']}, picked for its second round.\n"
        f"# Temperatures are those of the surface, dialled in by gauge.csv; real minus shown: {offsets}.\n"
        "# Spoiled coupons are part of the story.\n"
        "# Made by tests/benchmarks/make_demo_data.py; a test makes the scores again and compares.\n"
    )


def make_scores(story: Story, coupons: pd.DataFrame) -> pd.DataFrame:
    """Scores of all coupons made so far, from the simulated line."""
    return simulated_line(story).run(coupons, int(story.data["simulated"]["day_seed"]))


def as_text(story: Story, number: int, coupons: pd.DataFrame, scored: pd.DataFrame) -> str:
    """A data file of one round."""
    checks = [c.name for c in story.study.spec.checks]
    hands = [f"hand_{who}" for who in story.people]
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([*columns(story.study), *checks, "symptom", "side", *hands, "note", "void"])
    by_name = scored.set_index("coupon")
    for row in coupons[coupons["round"] == number].to_dict("records"):
        result = by_name.loc[row["coupon"]]
        spoiled = SPOILED.get(row["coupon"], "")
        said = (
            [""] * (len(checks) + 2 + len(hands))
            if spoiled
            else [
                *("" if pd.isna(result[c]) else "pass" if result[c] else "fail" for c in checks),
                result["symptom"],
                result["side"],
                *("" if pd.isna(result[h]) else f"{result[h]:g}" for h in hands),
            ]
        )
        planned = [f"{row[c]:g}" if isinstance(row[c], float) else row[c] for c in columns(story.study)]
        writer.writerow([*planned, *said, "", spoiled])
    return header(story, number) + text.getvalue()


def make_settings(story: Story) -> pd.DataFrame:
    """Plan round 1, score it, and choose round 2 from its fit."""
    first, second = story.data["rounds"]
    plan = make_plan(story.study, coupons=first["coupons"], kind=first["kind"], seed=first["seed"], line=story.line)
    scored = make_scores(story, plan.coupons)
    kept = scored[~scored["coupon"].isin(list(SPOILED))]
    surfaces = fit(story.study, kept, seed=first["seed"])
    more = extend_plan(story.study, plan, surfaces, coupons=second["coupons"], seed=second["seed"], line=story.line)
    return more.coupons


def make_files(story: Story, coupons: pd.DataFrame) -> dict[str, str]:
    """Every data file of the rounds by name."""
    scored = make_scores(story, coupons)
    return {made["file"]: as_text(story, n, coupons, scored) for n, made in enumerate(story.data["rounds"], start=1)}


def stored_settings(story: Story) -> pd.DataFrame:
    """The coupons of the stored files."""
    return pd.concat([r.coupons for r in read_rounds(story)], ignore_index=True)


def tell_day(story: Story, day: int) -> str:
    """What the demo would say with another day seed."""
    story.data["simulated"]["day_seed"] = day  # type: ignore[index] # the parsed file, ours alone
    coupons = make_settings(story)
    scored = make_scores(story, coupons)
    kept = scored[~scored["coupon"].isin(list(SPOILED))]
    seed = usual_seed(story.study.name)
    said = []
    for made in (kept[kept["round"] == 1], kept):
        answer = recommend(story.study, fit(story.study, made, seed=seed), seed=seed)
        said.append(f"{answer.verdict:13} {answer.pass_rate:.3f} low {answer.pass_rate_low:.3f}")
    truth = simulated_line(story).robust_pass(pd.DataFrame([answer.setpoint]))[0]
    sides = kept["side"].value_counts().to_dict()
    window = "no window" if answer.window is None else f"window {answer.window.setting_errors:.2f}"
    return f"day {day:3}: {' -> '.join(said)}, {window}, truth {truth:.3f}, {sides}"


def main() -> None:
    """Write the files, or print what other days would tell."""
    story = read_story()
    if "--days" in sys.argv:
        for day in range(int(sys.argv[sys.argv.index("--days") + 1])):
            print(tell_day(story, day), flush=True)
        return
    coupons = stored_settings(story) if "--scores" in sys.argv else make_settings(story)
    for name, text in make_files(story, coupons).items():
        (DEMO / name).write_text(text, encoding="utf-8", newline="\n")
        print(f"{name}: {text.count(chr(10)) - 7} coupons")


if __name__ == "__main__":
    main()
