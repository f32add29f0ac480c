"""The page on when packages were last released names all that are installed, and a reason where one is old."""

from __future__ import annotations

import re

from tests.benchmarks import package_upkeep
from tests.benchmarks.results import RESULTS
from tests.test_supply import installed


def test_somebody_looks_after_every_package_or_it_is_said_why_an_old_one_will_do() -> None:
    told = (RESULTS / "package_upkeep.md").read_text(encoding="utf-8")
    lines = [line for line in told.splitlines() if re.match(r"\| [a-z0-9.-]+ \| \d", line)]
    rows = {row[0]: row[1:] for row in ([cell.strip() for cell in line.strip("|").split("|")] for line in lines)}
    new = set(installed({"server"})) - set(rows)
    assert new == set(), "a new package: run python -m tests.benchmarks.package_upkeep --write"
    for name, (_, _, released, years, reason) in rows.items():
        assert re.fullmatch(r"\d{4}-\d\d-\d\d", released) or reason, name
        assert float(years) <= package_upkeep.MOST_YEARS or reason == package_upkeep.ACCEPTED[name], name
    assert "Without a reason: none. Reasons not needed: none." in told


def test_the_newest_release_is_a_final_one_that_was_not_withdrawn() -> None:
    def file(name: str, day: str, **more: object) -> dict[str, object]:
        return {"filename": name, "upload-time": f"{day}T10:00:00.5Z", **more}

    files = [
        file("a-1.9.tar.gz", "2024-01-01"),
        file("a-1.10-py3-none-any.whl", "2024-03-02"),
        file("a-1.10.tar.gz", "2024-03-01"),
        file("a-2.0rc1.tar.gz", "2025-01-01"),
        file("a-2.0.tar.gz", "2025-02-01", yanked="broken"),
        file("a-1.11.exe", "2025-03-01"),
    ]
    found = package_upkeep.newest({"files": files})
    assert found is not None
    assert (str(found[0]), f"{found[1]:%Y-%m-%d}") == ("1.10", "2024-03-01")
    assert package_upkeep.newest({"files": []}) is None
