"""A small map in plain characters, for a terminal without pictures."""

from __future__ import annotations

import numpy as np

from doe.practice.drill import DrillResult, MapPicture
from reports.practice import map_finding

_COLUMNS, _ROWS = 46, 12


def little_map(outcome: DrillResult) -> list[str]:
    """Truth over press temperature and dwell, the other settings at the best; nothing for other pictures."""
    picture = outcome.picture
    if not isinstance(picture, MapPicture):
        return []
    study = picture.line.study
    fx, fy = study.factor("press_temp"), study.factor("dwell")
    xs, ys = np.linspace(fx.low, fx.high, _COLUMNS), np.geomspace(fy.low, fy.high, _ROWS)
    rates = picture.rates("press_temp", "dwell", xs, ys, nodes=32)
    grid = np.where(rates >= 0.95, "#", np.where(rates >= 0.8, "+", np.where(rates >= 0.5, ".", " ")))
    keys = {}
    for name, settings in picture.marks.items():
        mark = name.removeprefix("the ")[0].upper()
        keys[mark] = name
        column = int(np.abs(xs - settings["press_temp"]).argmin())
        row = int(np.abs(np.log(ys / settings["dwell"])).argmin())
        grid[row, column] = mark
    lines = ["", "The truth: # 95 of 100 or more pass, + 80, . 50; the other settings as the best."]
    lines += [f"  |{''.join(line)}|" for line in grid[::-1]]
    finding = map_finding(rates)
    named = ", ".join(f"{mark} {name}" for mark, name in keys.items())
    return [*lines, f"  across: press temperature, up: dwell; {named}", f"  {finding[0].upper()}{finding[1:]}."]
