"""What is installed with this project: its licences, its known-good set, and no bound without a reason."""

from __future__ import annotations

import re
import tomllib
from importlib import metadata
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[1]
KNOWN_GOOD = ROOT / ".ci" / "known-good.txt"
OURS = "first-article-tuning"

PERMISSIVE = {
    *("0BSD", "Apache-2.0", "BSD", "BSD-2-Clause", "BSD-3-Clause", "CC0-1.0", "HPND", "ISC", "MIT", "MIT-CMU"),
    *("PSF-2.0", "Zlib"),
}
"""May be used in anything, open or not, when the notice stays."""
AS_A_LIBRARY = {"LGPL-3.0-only": {"psycopg", "psycopg-binary"}, "MPL-2.0": {"hypothesis", "certifi", "pathspec"}}
"""Asks for its own source when it is changed, and of nothing that only imports it; nobody here changes or ships it."""
_CALLED = {
    "BSD License": "BSD",
    "MIT License": "MIT",
    "Apache Software License": "Apache-2.0",
    "Python Software Foundation License": "PSF-2.0",
    "ISC License (ISCL)": "ISC",
    "Mozilla Public License 2.0 (MPL 2.0)": "MPL-2.0",
}


def installed(extras: set[str]) -> dict[str, metadata.Distribution]:
    """Everything that comes with this project and some of its extras, by name."""
    found: dict[str, metadata.Distribution] = {}
    waiting = [(OURS, frozenset(extras))]
    asked = set()
    while waiting:
        name, wanted = waiting.pop()
        if (name, wanted) in asked:
            continue
        asked.add((name, wanted))
        found[name] = made = metadata.distribution(name)
        for text in made.requires or []:
            need = Requirement(text)
            if need.marker is None or any(need.marker.evaluate({"extra": extra}) for extra in ("", *wanted)):
                waiting.append((canonicalize_name(need.name), frozenset(need.extras)))
    return {name: made for name, made in sorted(found.items()) if name != OURS}


def licence(made: metadata.Distribution) -> set[str]:
    """Names of the licences that a package states, as SPDX has them; empty where it states none that is known."""
    if expression := made.metadata.get("License-Expression"):
        return set(re.split(r" (?:AND|OR|WITH) |[()]", expression)) - {""}
    stated = {line.rpartition(" :: ")[2] for line in made.metadata.get_all("Classifier") or [] if "License ::" in line}
    if stated:
        return {_CALLED.get(name, name) for name in stated}
    first = (made.metadata.get("License") or "").partition("\n")[0].strip()
    return {first} if first else set()


def known_good() -> dict[str, tuple[str, str]]:
    """Version and licence of every package of the known-good set."""
    lines = [line for line in KNOWN_GOOD.read_text(encoding="utf-8").splitlines() if line and line[0] != "#"]
    rows = [re.fullmatch(r"([a-z0-9.-]+)==(\S+) +# (.+)", line) for line in lines]
    assert all(rows), "a line is not NAME==VERSION # LICENCE"
    return {row[1]: (row[2], row[3]) for row in rows if row}


@pytest.mark.parametrize("extras", [{"server"}, {"test"}], ids=["use", "test"])
def test_every_licence_is_known_and_goes_with_ours(extras: set[str]) -> None:
    for name, made in installed(extras).items():
        stated = licence(made)
        assert stated, f"{name} states no licence"
        for one in stated - PERMISSIVE:
            assert name in AS_A_LIBRARY.get(one, ()), f"{name} is under {one}: is it compatible?"


def test_the_known_good_set_names_all_that_is_installed_with_its_licence() -> None:
    known, there = known_good(), installed({"server", "test"})
    assert set(there) - set(known) == set(), "a new package: look at it, then run python -m tests.test_supply"
    for name, made in there.items():
        version, stated = known[name]
        assert version != made.version or stated == _listed(made), name


def test_a_bound_above_has_a_reason() -> None:
    text = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    given = tomllib.loads(text)["project"]
    needs = [*given["dependencies"], *(need for extra in given["optional-dependencies"].values() for need in extra)]
    for need in needs:
        bounded = re.search(r"<|==|~=|!=", need)
        line = next(line for line in text.splitlines() if f'"{need}"' in line)
        assert not bounded or "#" in line, f"{need}: say why in a comment"
    assert given["requires-python"] == ">=3.11"


def test_every_python_that_is_promised_is_run_in_ci() -> None:
    given = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    promised = [line.rpartition(" ")[2] for line in given["classifiers"] if "Python :: 3." in line]
    oldest = given["requires-python"].removeprefix(">=")
    (newer,) = re.findall(r"^ +newer_pythons (.+)$", (ROOT / ".ci" / "run").read_text(encoding="utf-8"), re.MULTILINE)
    assert promised == [oldest, *newer.split()]


def _listed(made: metadata.Distribution) -> str:
    return " ".join(sorted(licence(made)))


if __name__ == "__main__":  # write the known-good set anew, from what is installed and was tested here
    told = [
        "# Versions that were tested together, with the licence of each; CI installs the wheel with exactly these.",
        "# Written by: python -m tests.test_supply",
    ]
    told += [f"{name}=={made.version}  # {_listed(made)}" for name, made in installed({"server", "test"}).items()]
    KNOWN_GOOD.write_text("\n".join(told) + "\n", encoding="utf-8")
