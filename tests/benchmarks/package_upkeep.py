"""Whether somebody still looks after every package that an installed copy of this project uses.

Usage::

    python -m tests.benchmarks.package_upkeep --write

For each package that comes with the project and its extra for a server: the newest final release that the package
index lists, and when its first file was put there. The index is the one that pip is set to use, asked by pip's own
code, once a package. A newest release older than two years is a finding: it needs a reason in the script, or the run
fails. Nothing but names of installed packages is asked.
"""

from __future__ import annotations

import json
import sys
from datetime import UTC, datetime
from typing import Any

from packaging.utils import InvalidSdistFilename, InvalidWheelFilename, parse_sdist_filename, parse_wheel_filename
from packaging.version import InvalidVersion, Version

from tests.benchmarks.results import arguments, table, written
from tests.test_supply import installed

MOST_YEARS = 2.0
ACCEPTED = {
    "et-xmlfile": "one small module that openpyxl writes XML with; it reads nothing",
    "mdurl": "comes with markdown-it-py, which comes with rich; nothing here shows Markdown through it",
    "openpyxl": "reads and writes workbooks in few modules, after their size was looked at; could be replaced there",
    "shellingham": "comes with typer: names the shell, only when completion is installed; another one can be typed",
}
"""Packages whose newest release is older, each with why that will do."""

Released = tuple[Version, datetime]


def version_of(filename: str) -> Version | None:
    """Version of a file of an index; None for one that is neither a wheel nor a source."""
    try:
        return parse_wheel_filename(filename)[1] if filename.endswith(".whl") else parse_sdist_filename(filename)[1]
    except (InvalidWheelFilename, InvalidSdistFilename, InvalidVersion):
        return None


def newest(answer: dict[str, Any]) -> Released | None:
    """The highest final version among files that were not withdrawn, and when its first file came."""
    came: dict[Version, datetime] = {}
    for file in answer["files"]:
        version = version_of(file["filename"])
        if version is None or version.is_prerelease or file.get("yanked") or "upload-time" not in file:
            continue
        at = datetime.fromisoformat(file["upload-time"]).astimezone(UTC)
        came[version] = min(at, came.get(version, at))
    return max(came.items()) if came else None


def asked(names: list[str]) -> dict[str, Released | None]:
    """The newest release of each, as the index of pip's settings has it."""
    # pip has no command that says when; what it is set to use only its own code knows
    from pip._internal.commands import create_command
    from pip._internal.models.link import Link

    command: Any = create_command("list")
    options, _ = command.parse_args([])
    session = command._build_session(options)
    collector = command._build_package_finder(options, session)._link_collector
    found: dict[str, Released | None] = {}
    for name in names:
        answers = []
        for place in collector.search_scope.get_index_urls_locations(name):
            page = collector.fetch_response(Link(place)) if "://" in place and not place.startswith("file:") else None
            if page is not None and page.content_type.startswith("application/vnd.pypi.simple"):
                answers.append(newest(json.loads(page.content)))
        found[name] = max((one for one in answers if one is not None), default=None)
    return found


def years(at: datetime, now: datetime) -> float:
    """Age in years."""
    return (now - at).days / 365.25


def main() -> int:
    """Ask, compare, print; the exit code says whether every old one has its reason."""
    given = arguments(__doc__).parse_args()
    there, now = installed({"server"}), datetime.now(UTC)
    found = asked(list(there))
    rows, missing = [], []
    with written(given, __file__, __doc__, cases=f"{len(there)} packages") as kept:
        for name, made in there.items():
            latest = found[name]
            is_late = latest is None or years(latest[1], now) > MOST_YEARS
            reason = ACCEPTED.get(name, "") if is_late else ""
            missing += [name] if is_late and not reason else []
            newest_there = (
                ["not listed", "", ""]
                if latest is None
                else [str(latest[0]), f"{latest[1]:%Y-%m-%d}", f"{years(latest[1], now):.1f}"]
            )
            rows.append([name, made.version, *newest_there, reason])
        print(table(["package", "installed", "newest", "released", "years ago", "why an older one will do"], rows))
        needless = sorted(name for name in ACCEPTED if not any(row[0] == name and row[-1] for row in rows))
        late = sum(bool(row[-1]) for row in rows)
        print(f"\n{len(rows)} packages; newest release older than {MOST_YEARS:g} years: {late + len(missing)}.")
        print(f"Without a reason: {', '.join(missing) or 'none'}. Reasons not needed: {', '.join(needless) or 'none'}.")
        kept.update(packages=len(rows), older=late + len(missing), without_reason=len(missing))
    return 1 if missing or needless else 0


if __name__ == "__main__":
    sys.exit(main())
