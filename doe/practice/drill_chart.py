"""Exercise: read run charts of first articles: print on, read the gauge again, or stop and find out why."""

from __future__ import annotations

import numpy as np

from doe.assure.days import DayRule, Drifted, day_rule, judge_glances, scores
from doe.domain.errors import InputError
from doe.domain.finding import Finding
from doe.practice.charts import PRINTS, READINGS, Reading, RunChart
from doe.practice.drill import Drill, Question, RunPicture, Turn, told

PROMISED = 0.95
U_DEGC = 3.0
"""Uncertainty (k = 2) of a glance in this exercise (invented)."""
FEWEST, MOST = 9, 16
POINTS = 25.0


class ReadCharts(Drill):
    """Four charts; of each, what is done next."""

    exercise = "chart"

    def _begin(self) -> None:
        rule = day_rule(PROMISED)
        kinds = [self._failures(rule, stop=True), self._failures(rule, stop=False)]
        ends: tuple[Drifted, ...] = ("drift", "glance", "")
        kinds += [self._readings(rule, end) for end in self._rng.permutation(ends)[:2]]
        self.charts: tuple[RunChart, ...] = tuple(kinds[i] for i in self._rng.permutation(len(kinds)))
        self.read: list[Reading] = []

    def _failures(self, rule: DayRule, *, stop: bool) -> RunChart:
        """Articles up to the day on which the rule is reached, or some with failures that do not reach it."""
        while True:
            rate = rule.bad if stop else rule.promised
            failed = self._rng.binomial(PRINTS, 1 - rate, MOST)
            found = scores(rule, [(PRINTS, int(count)) for count in failed])
            reached = next((day for day, score in enumerate(found, start=1) if score >= rule.limit), 0)
            days = reached if stop else int(self._rng.integers(FEWEST, MOST + 1))
            fits = days >= FEWEST if stop else not reached and failed[:days].any()
            if fits:
                return RunChart(rule, tuple(map(int, failed[:days])), tuple(found[:days]))

    def _readings(self, rule: DayRule, end: Drifted) -> RunChart:
        """Readings of a sound machine up to the last one or two, which end it as wanted."""
        while True:
            off = self._rng.normal(0, U_DEGC / 2, int(self._rng.integers(FEWEST, MOST + 1)))
            side = self._rng.choice([-1, 1])
            if end == "drift":
                off[-2:] = side * U_DEGC * self._rng.uniform(1.05, 1.6, 2)
            elif end == "glance":
                off[-1] = side * U_DEGC * self._rng.uniform(1.05, 1.6)
            off = np.round(off, 1)
            drifted = [judge_glances(off[:day].tolist(), U_DEGC) for day in range(1, len(off) + 1)]
            if drifted[-1] == end and "drift" not in drifted[:-1]:
                return RunChart(rule, off=tuple(map(float, off)), u=U_DEGC)

    @property
    def chart(self) -> RunChart:
        """The chart that is asked about; the last one once it is over."""
        return self.charts[min(len(self.read), len(self.charts) - 1)]

    def _question(self) -> Question:
        """See `Drill`."""
        chart = self.chart
        told_of = {"number": len(self.read) + 1, "charts": len(self.charts)}
        if chart.off:
            return Question(told("ask readings", **told_of, off=chart.off, u=chart.u), READINGS)
        asks = told("ask failures", **told_of, failed=chart.failed, score=chart.score, limit=chart.rule.limit)
        return Question(asks, READINGS)

    def _answer(self, text: str) -> Turn:
        """See `Drill`.

        Raises
        ------
        InputError
            If it is none of the three.
        """
        word = text.lower()
        chosen = next((reading for reading in READINGS if reading == word), None)
        if chosen is None:
            raise InputError("answer", repr(text), ", ".join(READINGS), "Choose one of these.")
        self.read.append(chosen)
        return Turn((told("noted"),)) if len(self.read) < len(self.charts) else self._end()

    def _hints(self) -> tuple[Finding, ...]:
        return (
            told("one failure", up=self.chart.rule.up, limit=self.chart.rule.limit),
            told("two readings", u=U_DEGC),
        )

    def _end(self) -> Turn:
        pairs = list(zip(self.charts, self.read, strict=True))
        parts = [
            (told("chart read", number=i, said=said), POINTS if said == chart.right else 0.0)
            for i, (chart, said) in enumerate(pairs, start=1)
        ]
        truth = [
            told("chart says", number=i, right=chart.right, kind="readings" if chart.off else "failures")
            for i, (chart, _) in enumerate(pairs, start=1)
        ]
        rule = self.charts[0].rule
        truth.append(told("chart rule", up=rule.up, limit=rule.limit, wrong=rule.wrong, found=rule.found, u=U_DEGC))
        return self._finish(parts, truth, RunPicture(self.charts))
