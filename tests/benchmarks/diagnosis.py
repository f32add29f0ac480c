"""How often a diagnosis names the true cause, and how soon checks find it, on invented shops with a known fault.

Usage::

    python -m tests.benchmarks.diagnosis --cases 300

Two kinds of cases, seeds from 620000 on, on which nothing was chosen:

* **Shops that differ from the model**, of three families in turn, a second fault in one case of seven. *Moved*: every
  chance that a fault shows a symptom is moved at random (logits by 0.8 standard deviations), how often a fault is there
  by a factor of about 1.6, and three symptoms in ten are left unreported. *Coarse*: a fault shows a symptom hardly,
  sometimes or mostly (0.08, 0.3, 0.65), whichever lies nearest, one in five a step off, and one link in ten is not
  there at all. *Level*: every fault is as frequent as any other, and each symptom has its own chance of being
  reported, 0.4 to 1. Outcomes of checks are moved as the first family's symptoms.
* **Simulated lines with a machine off.** Thermal lines at their best settings with an oven or press that runs 8 to
  20 degC cooler or hotter than it shows; eight coupons are made and their symptoms, as scored, are all that is told.

A check *finds* the true cause when it comes out in a way that this cause brings about at least 35 times in 100. The
order of the diagnosis is held against the order of the catalogue: causes as listed for the symptoms, for each the
quickest check that can find it. *Facts* are settings, waits, humidity, peel class and age of the powder; *gauges and
packets* add a reading of either machine, the peel class and cloth of the recipe, whether the cloth is dyed polyester,
and where on the print it shows. The *true odds* diagnose with the very chances that the shop was drawn with: no order
of causes can name many more of them first on these cases than that.
"""

from __future__ import annotations

import time
from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import pandas as pd

from doe.domain.factors import DEFAULT_FACTORS, usual_factor
from doe.domain.gauge import GaugeReading
from doe.domain.study import Study
from doe.practice.lines import make_line
from doe.symptoms.catalogue import FAULTS, LOOKS, SLIP, SURENESS, Cause, Look, Pointer, fault, symptom
from doe.symptoms.diagnosis import FAULT_KEYS, SYMPTOMS, Diagnosis, Evidence, Odds, diagnose, starting_odds
from doe.symptoms.known import FABRICS, PLACES, Known, shifts
from tests.benchmarks.results import Figures, arguments, table, written

FIRST_SEED = 620_000
FINDS = 0.35
FAMILIES = ("moved", "coarse", "level")
SHOWN_AT = {
    "press_cold_spot": "one place",
    "pressure_low": "one place",
    "dust": "one place",
    "peel_fast": "small parts",
    "powder_thin": "small parts",
    "powder_coarse": "small parts",
    "peel_early": "edges",
    "no_second_press": "edges",
    "powder_uneven": "edges",
    "moisture": "solids",
    "cloth_damp": "solids",
    "no_gap": "solids",
    "ink": "solids",
}
"""Where a fault shows mostly, on these shops; all others on the whole print."""


class Shop:
    """One invented shop with one case."""

    def __init__(self, seed: int) -> None:
        self.rng = np.random.default_rng(seed)
        self.family = FAMILIES[seed % len(FAMILIES)]
        start = starting_odds()
        self.links = np.where(start.links > 0, self._shown(start.links), 0)
        self.leak = float(self.rng.uniform(0.002, 0.03))
        self.often = start.there * np.exp(self.rng.normal(0, 0.5, len(FAULTS)))
        if self.family == "level":
            self.often = np.full(len(FAULTS), start.there.mean())
        reported = self.rng.uniform(0.4, 1.0, len(SYMPTOMS)) if self.family == "level" else 0.7
        while True:
            many = 2 if self.rng.random() < 1 / 7 else 1
            weights = self.often / self.often.sum()
            self.there = list(self.rng.choice(len(FAULTS), many, replace=False, p=weights))
            shown = 1 - (1 - self.leak) * np.prod(1 - self.links[self.there], axis=0)
            seen = (self.rng.random(len(SYMPTOMS)) < shown) & (self.rng.random(len(SYMPTOMS)) < reported)
            # the case is about a fault that showed itself; the first of two is the one to find
            if (seen & (self.links[self.there[0]] > 0)).any():
                break
        self.symptoms = tuple(np.array(SYMPTOMS)[seen])
        self.cause = FAULT_KEYS[self.there[0]]
        self.outcomes = {made.key: self._outcome(made) for made in LOOKS}
        self._facts = self._careful()
        self._more = self._gauged()

    def _shown(self, links):
        if self.family != "coarse":
            return self._moved(links)
        steps = np.array([0.08, 0.3, 0.65])
        nearest = np.abs(links[..., None] - steps).argmin(axis=-1)
        off = np.where(self.rng.random(links.shape) < 0.2, self.rng.choice([-1, 1], links.shape), 0)
        return steps[np.clip(nearest + off, 0, 2)] * (self.rng.random(links.shape) >= 0.1)

    def has(self, found: Diagnosis) -> bool:
        """Whether the cause that is named first is there."""
        return found.first.fault.key in {FAULT_KEYS[i] for i in self.there}

    def true_odds(self) -> Odds:
        """The chances this shop was drawn with."""
        return replace(starting_odds(), there=np.minimum(self.often, 0.9), links=np.minimum(self.links, 0.98))

    def _moved(self, p):
        p = np.clip(p, 1e-3, 1 - 1e-3)
        return 1 / (1 + np.exp(-(np.log(p / (1 - p)) + self.rng.normal(0, 0.8, np.shape(p)))))

    def _outcome(self, made: Look) -> str:
        for i in self.there:
            for o in made.outcomes:
                p = o.brought_by.get(FAULT_KEYS[i], 0)
                if p and self.rng.random() < self._moved(np.array(p)):
                    return o.key
        if self.rng.random() < SLIP:
            return made.outcomes[self.rng.integers(len(made.outcomes))].key
        return "usual"

    def facts(self) -> Known:
        """What a careful shop knows without any check: settings, waits, humidity, age of the powder."""
        return self._facts

    def gauged(self) -> Known:
        """What it knows besides where gauges are in date, packets were read, and the print is looked at."""
        return self._more

    def _gauged(self) -> Known:
        keys, pick = {FAULT_KEYS[i] for i in self.there}, self.rng.uniform
        readings = []
        for machine, stage, at in (("press", "press", 155.0), ("oven", "cure", 120.0)):
            off = self.rng.normal(0, 2)
            off -= pick(5, 18) if f"{stage}_not_reached" in keys else 0
            off += pick(5, 18) if f"{stage}_runs_hot" in keys else 0
            readings.append(GaugeReading(machine, at, None, at + off))
        dyed = pick() < (0.9 if "dye_moves" in keys else 0.5 if "wrong_blank" in keys else 0.2)
        mostly = SHOWN_AT.get(self.cause, "whole")
        cloth = str(self.rng.choice(FABRICS))
        another = "wrong_blank" in keys and pick() < 0.7
        return replace(
            self._facts,
            fabric=cloth,
            recipe_fabric=str(self.rng.choice([f for f in FABRICS if f != cloth])) if another else cloth,
            readings=tuple(readings),
            recipe_film_class="cold" if "wrong_class" in keys and pick() < 0.9 else "hot",
            dyed_polyester=bool(dyed),
            where=mostly if pick() < 0.6 else str(self.rng.choice(PLACES)) if pick() < 0.5 else "",
        )

    def _careful(self) -> Known:
        keys = {FAULT_KEYS[i] for i in self.there}

        def dial(stage, temp, stays):
            level = "low" if f"{stage}_set_low" in keys else "high" if f"{stage}_set_high" in keys else "inside"
            return {temp: level, stays: "inside"}

        pick = self.rng.uniform
        dry, damp = "powder_uneven" in keys and pick() < 0.5, "moisture" in keys and pick() < 0.5
        return Known(
            humidity_pct=pick(20, 34) if dry else pick(66, 80) if damp else pick(38, 60),
            powder_months=pick(7, 14) if "powder_spoiled" in keys and pick() < 0.7 else pick(0, 7),
            film_class="hot",
            peel_wait_s=1.0 if "peel_early" in keys else pick(40, 200) if "peel_late" in keys else pick(3, 8),
            gap_s=pick(0, 4) if "no_gap" in keys else pick(5, 40),
            wash_wait_h=pick(1, 15) if "wash_early" in keys else pick(18, 60),
            settings={**dial("press", "press_temp", "dwell"), **dial("cure", "cure_temp", "cure_time")},
        )


def finds(made: Look, outcome: str, cause: str) -> bool:
    """Whether this outcome of a check points at the cause."""
    return any(o.key == outcome and o.brought_by.get(cause, 0) >= FINDS for o in made.outcomes)


def causes_of(keys: Iterable[str]) -> tuple[Cause, ...]:
    """Every cause these symptoms point to, each pointer once, the surest and most often named first."""
    named: dict[Pointer, list[Cause]] = {}
    for key in dict.fromkeys(keys):
        for cause in symptom(key).causes:
            named.setdefault(cause.pointer, []).append(cause)
    surest = {pointer: max(causes, key=lambda c: SURENESS.index(c.sureness)) for pointer, causes in named.items()}
    order = sorted(named, key=lambda p: (-SURENESS.index(surest[p].sureness), -len(named[p])))
    return tuple(surest[pointer] for pointer in order)


def catalogue_order(symptoms: tuple[str, ...]) -> list[Look]:
    """Checks in the order of the catalogue's causes, then all the others."""
    order: list[Look] = []
    for cause in causes_of(symptoms):
        for f in (f for f in FAULTS if f.pointer is cause.pointer):
            fit = [m for m in LOOKS if any(o.brought_by.get(f.key, 0) >= FINDS for o in m.outcomes)]
            order += [m for m in sorted(fit, key=lambda m: m.minutes)[:1] if m not in order]
    return order + [m for m in LOOKS if m not in order]


def told(shop: Shop, known: Known) -> bool:
    """Whether the facts alone point at the cause, so that no check is needed for it."""
    return any(move.fault == shop.cause and move.factor >= 3 for move in shifts(known))


def in_order(shop: Shop, evidence: Evidence, order: list[Look]) -> tuple[int, float, bool]:
    """Checks and minutes until the cause is found, and whether it was; what the facts answer needs no check."""
    if told(shop, evidence.known):
        return 0, 0.0, True
    minutes, done = 0.0, 0
    for made in order:
        if set(made.repeats) & evidence.known.facts():
            continue
        minutes, done = minutes + made.minutes, done + 1
        if finds(made, shop.outcomes[made.key], shop.cause):
            return done, minutes, True
    return done, minutes, False


def by_diagnosis(shop: Shop, evidence: Evidence) -> tuple[int, float, bool]:
    """The same when the proposed check is made every time; what is left when none is worth it comes as listed."""
    if told(shop, evidence.known):
        return 0, 0.0, True
    minutes, done = 0.0, 0
    while True:
        found = diagnose(evidence)
        left = [m for m in LOOKS if m.key not in evidence.found and not set(m.repeats) & evidence.known.facts()]
        if not left:
            return done, minutes, False
        made = found.checks[0].look if found.checks else left[0]
        minutes, done = minutes + made.minutes, done + 1
        outcome = shop.outcomes[made.key]
        if finds(made, outcome, shop.cause):
            return done, minutes, True
        evidence = replace(evidence, found={**evidence.found, made.key: outcome})


def summary(rows: list[tuple[int, float, bool]]) -> list[str]:
    """Cells of a table: checks, minutes, found at all, found within three checks."""
    checks, minutes, found = (np.array(column) for column in zip(*rows, strict=True))
    return [
        f"{checks.mean():.1f} ({np.median(checks):.0f})",
        f"{minutes.mean():.0f} ({np.median(minutes):.0f})",
        f"{found.mean():.2f}",
        f"{(found & (checks <= 3)).mean():.2f}",
    ]


def shops(count: int) -> tuple[str, Figures]:
    """First kind of cases."""
    made = [Shop(FIRST_SEED + i) for i in range(count)]
    rows, figures = [], {}
    levels = (
        ("symptoms only", lambda s: Known()),
        ("symptoms and facts", Shop.facts),
        ("gauges and packets too", Shop.gauged),
    )
    for name, known in levels:
        evidence = [Evidence(s.symptoms, known=known(s)) for s in made]
        found = [diagnose(e) for e in evidence]
        by_truth = [diagnose(e, s.true_odds()).rank(s.cause) == 1 for e, s in zip(evidence, made, strict=True)]
        ranks = np.array([d.rank(s.cause) for d, s in zip(found, made, strict=True)])
        settled = np.array([d.settled for d in found])
        key = name.replace(" ", "_")
        figures |= {f"first_{key}": float(np.mean(ranks == 1)), f"first_three_{key}": float(np.mean(ranks <= 3))}
        figures |= {
            f"settled_{key}": float(settled.mean()),
            f"settled_wrong_{key}": float(
                np.mean([d.settled and not s.has(d) for d, s in zip(found, made, strict=True)])
            ),
            f"true_odds_{key}": float(np.mean(by_truth)),
        }
        shares = ("first", "true_odds", "first_three", "settled", "settled_wrong")
        named = [f"{figures[f'{what}_{key}']:.2f}" for what in shares]
        for family in FAMILIES:
            figures[f"first_{key}_{family}"] = float(np.mean(ranks[[s.family == family for s in made]] == 1))
        cases = list(zip(made, evidence, strict=True))
        rows += [
            [name, "as proposed", *named, *summary([by_diagnosis(s, e) for s, e in cases])],
            [
                name,
                "catalogue",
                *[""] * len(shares),
                *summary([in_order(s, e, catalogue_order(s.symptoms)) for s, e in cases]),
            ],
            [name, "down the list", *[""] * len(shares), *summary([in_order(s, e, list(LOOKS)) for s, e in cases])],
        ]
    listed = [[f.key for c in causes_of(s.symptoms) for f in FAULTS if f.pointer is c.pointer] for s in made]
    pairs = list(zip(made, listed, strict=True))
    first, three = (float(np.mean([s.cause in keys[:n] for s, keys in pairs])) for n in (1, 3))
    rows.append(["the catalogue's own order of causes", "", f"{first:.2f}", "", f"{three:.2f}", *[""] * 6])
    head = ["known", "order of checks", "true cause first", "the same by true odds", "in the first three"]
    head += ["called settled", "settled on a wrong one"]
    more = ["checks, mean (median)", "minutes, mean (median)", "found at all", "within 3 checks"]
    each = [
        [name, *(f"{figures[f'first_{name.replace(chr(32), chr(95))}_{family}']:.2f}" for family in FAMILIES)]
        for name, _ in levels
    ]
    split = table(["true cause first, by family", *FAMILIES], each)
    return f"{table([*head, *more], rows)}\n\n{split}", figures


def lines(cases: int) -> tuple[str, Figures]:
    """Second kind of cases."""
    study = Study("bench", tuple(usual_factor(n) for n in DEFAULT_FACTORS))
    machine, three, told = [], [], 0
    for i in range(cases):
        rng = np.random.default_rng([FIRST_SEED, i])
        line = make_line("thermal", FIRST_SEED + i, study)
        stage, sign = str(rng.choice(["cure", "press"])), int(rng.choice([-1, 1]))
        broken = replace(line, display_offset={f"{stage}_temp": sign * rng.uniform(8, 20)})
        coupons = pd.DataFrame([line.best().settings] * 8)
        scored = broken.run(coupons, seed=i)
        seen = tuple(sorted({s for s in scored["symptom"] if s}))
        if not seen:
            continue
        told += 1
        found = diagnose(Evidence(seen, known=Known(settings=dict.fromkeys(DEFAULT_FACTORS, "inside"))))
        true = f"{stage}_{'not_reached' if sign < 0 else 'runs_hot'}"
        machine.append(found.first.fault.side == fault(true).side and found.first.fault.key.startswith(stage))
        three.append(found.rank(true) <= 3)
    figures = {"machine_and_side_first": float(np.mean(machine)), "machine_first_three": float(np.mean(three))}
    shares = [f"{value:.2f}" for value in figures.values()]
    head = ["machine off by 8 to 20 degC", "showed a symptom in 8 coupons", "right machine and side first"]
    return table([*head, "true cause in the first three"], [[f"{cases} lines", str(told), *shares]]), figures


def main() -> None:
    """Measure and print."""
    parser = arguments(__doc__)
    parser.add_argument("--cases", type=int, default=300)
    given = parser.parse_args()
    lines_made = max(20, given.cases // 4)
    cases = f"{given.cases} shops, seeds from {FIRST_SEED}; {lines_made} lines"
    with written(given, __file__, __doc__, cases=cases) as figures:
        for text, found in (shops(given.cases), lines(lines_made)):
            print(text, end="\n\n")
            figures.update(found)
        one = Evidence(("no_transfer", "edge_lift_dry"))
        diagnose(one)
        start = time.process_time()
        for _ in range(20):
            diagnose(one)
        figures["one_ms"] = 1000 * (time.process_time() - start) / 20
        print(f"One diagnosis takes {figures['one_ms']:.0f} ms of a core.")


if __name__ == "__main__":
    main()
