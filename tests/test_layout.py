"""The checkout holds what the layout names; packages ship whole; imports point one way; start-up stays light."""

from __future__ import annotations

import ast
import re
import subprocess
import tomllib
from collections.abc import Iterator
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
TOP = {"README.md", "DEVELOPERS.md", "pyproject.toml", "doe", "reports", "templates", "demo", "tests"}
FOLDERS = {"doe.templates": ROOT / "templates", "doe.demo": ROOT / "demo"}

# What each package may import of ours, beside itself and what stands below `domain`.
NUMERICAL = {"doe.plans", "doe.surfaces", "doe.setpoint", "doe.assure"}
MAY_IMPORT = {
    "doe.domain": set(),
    "doe.plans": {"doe.domain"},
    "doe.surfaces": {"doe.domain"},
    "doe.setpoint": {"doe.domain", "doe.plans", "doe.surfaces"},
    "doe.assure": {"doe.domain", "doe.plans", "doe.surfaces", "doe.setpoint"},
    "doe.symptoms": {"doe.domain"},
    "doe.practice": {"doe.domain", "doe.symptoms", *NUMERICAL},
    "doe.book": {"doe.domain", "doe.files"},
    "doe.words": {"doe.domain", "doe.symptoms", "doe.practice", *NUMERICAL},
    "reports": {"doe.domain", "doe.files", "doe.symptoms", "doe.practice", "doe.words", *NUMERICAL},
    "doe.acts": {
        "doe.domain",
        "doe.files",
        "doe.symptoms",
        "doe.practice",
        "doe.book",
        "doe.words",
        "reports",
        *NUMERICAL,
    },
}
EVERYTHING = {"doe.cli", "doe.bench", "doe.office"}
HEAVY = {"numpy", "pandas", "scipy"}


def packages() -> dict[str, Path]:
    """Every package of the checkout and its folder, except the data folders that are mapped."""
    found = {}
    for top in ("doe", "reports"):
        for init in (ROOT / top).rglob("__init__.py"):
            found[".".join(init.parent.relative_to(ROOT).parts)] = init.parent
    return found | FOLDERS


def test_pyproject_names_every_package_of_the_tree():
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    assert sorted(settings["tool"]["setuptools"]["packages"]) == sorted(packages())


def test_every_data_file_of_templates_and_demo_is_packaged():
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    for name, folder in FOLDERS.items():
        patterns = settings["tool"]["setuptools"]["package-data"][name]
        files = [f for f in folder.iterdir() if f.is_file() and f.suffix != ".py"]
        assert [f.name for f in files if not any(f.match(p) for p in patterns)] == []


def test_the_top_level_holds_what_the_layout_names():
    if not (ROOT / ".git").exists():
        pytest.skip("not a checkout")
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, encoding="utf-8", check=True).stdout
    tops = {line.split("/", 1)[0] for line in listed.splitlines()}
    assert {top for top in tops if not top.startswith(".")} <= TOP


def modules():
    """Every module of ours with its package."""
    for name, folder in packages().items():
        if name not in FOLDERS:
            yield from ((name, file) for file in folder.glob("*.py"))


def imports_of(tree: ast.AST) -> list[tuple[str, bool]]:
    """Modules that are imported, and whether only for types."""
    only_types = {
        id(node)
        for branch in ast.walk(tree)
        if isinstance(branch, ast.If) and ast.unparse(branch.test).endswith("TYPE_CHECKING")
        for child in branch.body
        for node in ast.walk(child)
    }
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found += [(alias.name, id(node) in only_types) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are written out in full"
            found.append((node.module or "", id(node) in only_types))
    return found


def home(name: str) -> str:
    """Package of ours that a module belongs to: ``doe.surfaces`` of ``doe.surfaces.classical.firth``."""
    parts = name.split(".")
    if parts[0] == "reports":
        return "reports"
    return ".".join(parts[:2]) if parts[0] == "doe" else ""


@pytest.mark.parametrize("package", sorted(MAY_IMPORT))
def test_imports_point_one_way(package):
    wrong = [
        f"{file.relative_to(ROOT)} imports {name}"
        for owner, file in modules()
        if home(owner) == package
        for name, _ in imports_of(ast.parse(file.read_text(encoding="utf-8")))
        if home(name) not in {"", package} | MAY_IMPORT[package]
    ]
    assert wrong == []


def test_every_package_has_a_place_in_the_order():
    assert {home(name) for name in packages() if "." in name or name == "reports"} <= (
        set(MAY_IMPORT) | EVERYTHING | set(FOLDERS)
    )


def test_numerical_packages_know_no_files_clocks_or_pictures():
    banned = ("sqlalchemy", "pathlib", "time", "typer", "rich", "openpyxl", "jinja2")
    wrong = [
        f"{file.relative_to(ROOT)} imports {name}"
        for owner, file in modules()
        if home(owner) in NUMERICAL
        for name, for_types in imports_of(ast.parse(file.read_text(encoding="utf-8")))
        if name.split(".")[0] in banned and not for_types
    ]
    assert wrong == []


def test_numerical_packages_are_told_the_time():
    wrong = [
        f"{file.relative_to(ROOT)} asks for {ast.unparse(node)}"
        for owner, file in modules()
        if home(owner) in NUMERICAL | {"doe.domain", "reports"}
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and ast.unparse(node.func).endswith((".now", ".today", ".utcnow"))
    ]
    assert wrong == []


def test_only_three_modules_of_the_domain_stand_on_numpy_and_pandas():
    # the rest is read by commands that only list or show, and those must not wait for numerics
    heavy = {
        file.stem
        for owner, file in modules()
        if owner == "doe.domain"
        for node in ast.parse(file.read_text(encoding="utf-8")).body
        if isinstance(node, ast.Import | ast.ImportFrom)
        for name, _ in imports_of(ast.Module([node], []))
        if name.split(".")[0] in HEAVY
    }
    assert heavy == {"coding", "masks", "results"}


def test_an_import_inside_a_function_says_why():
    # ruff refuses one without a mark; the mark alone is no reason
    bare = []
    for owner, file in modules():
        if home(owner) not in ("doe.domain", "doe.book", "doe.acts", "doe.cli"):
            continue
        lines = file.read_text(encoding="utf-8").splitlines()
        for place, line in enumerate(lines):
            if "noqa: PLC0415" in line and not re.search(r"PLC0415\W+\w", line):
                above = place - 1
                while "noqa: PLC0415" in lines[above]:
                    above -= 1
                if not re.search(r"# \w|PLC0415\W+\w", lines[above] + lines[above + 1]):
                    bare.append(f"{file.relative_to(ROOT)}:{place + 1}")
    assert bare == []


def test_no_modules_import_each_other_in_a_circle():
    # imports for types count as well: two modules that need each other's types are one
    files = {".".join(file.relative_to(ROOT).with_suffix("").parts): file for _, file in modules()}
    edges = {name: set(top_imports(ast.parse(file.read_text(encoding="utf-8")).body)) for name, file in files.items()}
    try:
        TopologicalSorter({name: found & set(files) for name, found in edges.items()}).prepare()
    except CycleError as error:
        pytest.fail(" imports ".join(reversed(error.args[1])))


def top_imports(body: list[ast.stmt]) -> Iterator[str]:
    """Names of what a module imports when it is loaded, or for its types; what is imported from may be a module too."""
    for node in body:
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield from (node.module or "", *(f"{node.module}.{alias.name}" for alias in node.names))
        elif not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            yield from top_imports([child for child in ast.iter_child_nodes(node) if isinstance(child, ast.stmt)])


def test_each_class_name_means_one_thing():
    homes: dict[str, set[str]] = {}
    for _, file in modules():
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ClassDef):
                homes.setdefault(node.name, set()).add(str(file.relative_to(ROOT)))
    assert {name: sorted(found) for name, found in homes.items() if len(found) > 1} == {}


def test_no_room_holds_more_than_can_be_overlooked():
    """At most 24 modules a folder; the commands, one a module, aside."""
    counts = {name: len(list(folder.glob("*.py"))) for name, folder in packages().items() if name != "doe.cli"}
    assert {name: count for name, count in counts.items() if count > 24} == {}


def test_no_line_is_kept_from_the_formatter():
    kept = "fmt: " + "skip"
    files = [*(file for _, file in modules()), *(ROOT / "tests").rglob("*.py")]
    assert [str(f.relative_to(ROOT)) for f in files if kept in f.read_text(encoding="utf-8")] == []
