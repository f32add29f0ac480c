"""Every public name of the product is reached by a command, a page or a documented Python name.

Names are those defined at module level (functions, classes, constants) and the methods of classes. One is reached when
an entry reaches it: the program's entry point, the `register` of a command module, the migrations, or a name that
`doe/__init__.py` gives away; or when something reached names it. A method is reached when its class is and something
reached, or a template, names an attribute so called. An import counts for nothing by itself, nor does `__all__`.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

PRODUCT = ("doe", "reports", "templates", "demo")
PLAIN_BASES = {"Protocol", "NamedTuple", "ABC", "Generic", "Exception", "ValueError", "StrEnum", "Enum", "IntEnum"}
"""Bases outside the product that call no method of their own accord, beside those with two underscores."""

ALLOWED: dict[str, str] = {
    "doe.cli.app.Doe.format_commands": "the command framework calls it to write a help",
    "doe.practice.lines.SimulatedLine.true_hand": "the truth of a simulated line, which benches compare answers with",
    "doe.practice.lines.SimulatedLine.true_other": "the truth of a simulated line, which tests compare coupons with",
    "doe.surfaces.contract.PRIOR_GROUPS": "names the groups of a contract",
}
"""Dotted name to the reason why nothing reaches it and it stays."""


@dataclass
class Definition:
    """A function, class, constant or method, and what its text names.

    ``uses`` are dotted names of definitions, ``attributes`` every attribute name in it, ``owner`` the class of a
    method, ``is_called`` whether something outside the product may call it, ``is_command`` whether a decorator hands
    it to the program's command line.
    """

    name: str
    uses: set[str] = field(default_factory=set)
    attributes: set[str] = field(default_factory=set)
    owner: str = ""
    is_called: bool = False
    is_command: bool = False

    @property
    def is_public(self) -> bool:
        """Whether no part of its own name is private."""
        short = self.name.rsplit(".", 2)[1:] if self.owner else self.name.rsplit(".", 1)[1:]
        return not any(part.startswith("_") for part in short)


@dataclass
class Module:
    """A file: its tree, what it imports (name to dotted target), and the names it defines."""

    name: str
    path: Path
    tree: ast.Module
    imports: dict[str, str] = field(default_factory=dict)
    defines: set[str] = field(default_factory=set)


def modules_of(root: Path, folders: Sequence[str]) -> dict[str, Module]:
    """Every module below some folders, by dotted name."""
    found = {}
    for folder in folders:
        for path in sorted((root / folder).rglob("*.py")):
            parts = path.relative_to(root).with_suffix("").parts
            name = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
            tree = ast.parse(path.read_text(encoding="utf-8"), str(path))
            module = Module(name, path, tree)
            for statement in _statements(tree.body):
                if isinstance(statement, ast.Import | ast.ImportFrom):
                    module.imports.update(_imported(statement, name, path))
                else:
                    module.defines.update(_bound(statement))
            found[name] = module
    return found


def _statements(body: Sequence[ast.stmt]) -> Iterator[ast.stmt]:
    """Statements at module level, those under `if`, `try`, `with` and `for` too."""
    for statement in body:
        yield statement
        for part in ("body", "orelse", "finalbody"):
            if not isinstance(statement, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
                yield from _statements(getattr(statement, part, []))
        for handler in getattr(statement, "handlers", []):
            yield from _statements(handler.body)


def _imported(statement: ast.Import | ast.ImportFrom, module: str, path: Path) -> dict[str, str]:
    """Names that an import binds, with the dotted name of what they mean."""
    if isinstance(statement, ast.Import):
        return {a.asname or a.name.split(".")[0]: a.name if a.asname else a.name.split(".")[0] for a in statement.names}
    source = statement.module or ""
    if statement.level:
        parts = module.split(".")
        depth = statement.level - (path.name == "__init__.py")
        source = ".".join([*parts[: len(parts) - depth], *([source] if source else [])])
    return {a.asname or a.name: f"{source}.{a.name}" for a in statement.names}


def _bound(statement: ast.stmt) -> set[str]:
    """Names that a statement at module level defines."""
    if isinstance(statement, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
        return {statement.name}
    targets: list[ast.expr] = []
    if isinstance(statement, ast.Assign):
        targets = statement.targets
    elif isinstance(statement, ast.AnnAssign | ast.For):
        targets = [statement.target]
    return {n.id for t in targets for n in ast.walk(t) if isinstance(n, ast.Name) and isinstance(n.ctx, ast.Store)}


def _locals(function: ast.AST, module: Module) -> dict[str, str]:
    """Names that a function or comprehension binds itself; an import with its target, everything else empty."""
    found: dict[str, str] = {}
    outer: set[str] = set()
    own = function.args if isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda) else None
    if own is not None:
        args = [*own.posonlyargs, *own.args, *own.kwonlyargs, *(a for a in (own.vararg, own.kwarg) if a)]
        found.update((a.arg, "") for a in args)
    inner = (ast.FunctionDef, ast.AsyncFunctionDef, ast.Lambda, ast.ClassDef)
    comprehensions = (ast.ListComp, ast.SetComp, ast.DictComp, ast.GeneratorExp)
    todo = list(ast.iter_child_nodes(function))
    while todo:
        node = todo.pop()
        if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            found.setdefault(node.id, "")
        elif isinstance(node, ast.ExceptHandler) and node.name:
            found.setdefault(node.name, "")
        elif isinstance(node, ast.Global):
            outer.update(node.names)
        elif isinstance(node, ast.Import | ast.ImportFrom):
            found.update(_imported(node, module.name, module.path))
        elif isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef | ast.MatchAs | ast.MatchStar):
            found.setdefault(node.name or "", "")
        if not isinstance(node, (*inner, *comprehensions)):
            todo.extend(ast.iter_child_nodes(node))
    for name in outer:
        found.pop(name, None)
    return found


class _Uses(ast.NodeVisitor):
    """Collects what a piece of code names, with the scopes it stands in."""

    def __init__(self, module: Module, modules: dict[str, Module]) -> None:
        self.module, self.modules = module, modules
        self.scopes: list[dict[str, str]] = []
        self.uses: set[str] = set()
        self.attributes: set[str] = set()

    def target(self, name: str) -> str:
        """Dotted name of what a name means here; empty for something of the function's own or of nobody's."""
        for scope in reversed(self.scopes):
            if name in scope:
                return scope[name]
        if name in self.module.defines:
            return f"{self.module.name}.{name}"
        return self.module.imports.get(name, "")

    def dotted(self, node: ast.expr) -> str:
        """Dotted target of a name, or of attributes of a module."""
        if isinstance(node, ast.Name):
            return self.target(node.id)
        if isinstance(node, ast.Attribute):
            base = self.dotted(node.value)
            return f"{base}.{node.attr}" if base and resolve(base, self.modules) in self.modules else ""
        return ""

    def visit_Name(self, node: ast.Name) -> None:
        """A name that is read."""
        if isinstance(node.ctx, ast.Load) and (target := self.target(node.id)):
            self.uses.add(target)

    def visit_Attribute(self, node: ast.Attribute) -> None:
        """An attribute: of a module, or of anything."""
        self.attributes.add(node.attr)
        if target := self.dotted(node):
            self.uses.add(target)
        self.visit(node.value)

    def visit_Call(self, node: ast.Call) -> None:
        """A call; the names given to `getattr` and `attrgetter` count as attributes."""
        if isinstance(node.func, ast.Name) and node.func.id in ("getattr", "hasattr", "attrgetter"):
            self.attributes.update(
                a.value for a in node.args if isinstance(a, ast.Constant) and isinstance(a.value, str)
            )
        self.generic_visit(node)

    def _scoped(self, node: ast.AST, outside: Sequence[ast.AST], inside: Sequence[ast.AST]) -> None:
        for part in outside:
            self.visit(part)
        self.scopes.append(_locals(node, self.module))
        for part in inside:
            self.visit(part)
        self.scopes.pop()

    def visit_FunctionDef(self, node: ast.FunctionDef | ast.AsyncFunctionDef) -> None:
        """A function: decorators, defaults and annotations belong to the scope around it."""
        hints = [a.annotation for a in ast.walk(node.args) if isinstance(a, ast.arg) and a.annotation]
        defaults = [d for d in (*node.args.defaults, *node.args.kw_defaults) if d is not None]
        outside = [*node.decorator_list, *hints, *defaults, *([node.returns] if node.returns else [])]
        self._scoped(node, outside, node.body)

    visit_AsyncFunctionDef = visit_FunctionDef  # noqa: N815 - the visitor's own name

    def visit_Lambda(self, node: ast.Lambda) -> None:
        """A lambda."""
        self._scoped(node, [d for d in (*node.args.defaults, *node.args.kw_defaults) if d is not None], [node.body])

    def _comprehension(self, node: ast.ListComp | ast.SetComp | ast.DictComp | ast.GeneratorExp) -> None:
        self._scoped(node, [node.generators[0].iter], list(ast.iter_child_nodes(node)))

    visit_ListComp = visit_SetComp = visit_DictComp = visit_GeneratorExp = _comprehension  # noqa: N815 - the same


def resolve(target: str, modules: dict[str, Module]) -> str:
    """The dotted name of a definition or module behind a target, through names that packages hand on."""
    for _ in range(10):
        if target in modules:
            return target
        home, _, name = target.rpartition(".")
        if home not in modules:
            above = resolve(home, modules) if "." in home else home
            if above == home or above not in modules:
                return target
            target = f"{above}.{name}"
            continue
        if name in modules[home].defines or name not in modules[home].imports:
            return target
        target = modules[home].imports[name]
    return target


def definitions_of(modules: dict[str, Module]) -> tuple[dict[str, Definition], dict[str, set[str]]]:
    """Definitions by dotted name; and by module what is named by statements that run when it is imported."""
    found: dict[str, Definition] = {}
    on_import: dict[str, set[str]] = {}
    for module in modules.values():
        loose = _Uses(module, modules)
        for statement in module.tree.body:
            if isinstance(statement, ast.Import | ast.ImportFrom) or _is_for_checkers(statement):
                continue
            if not _bound(statement) or isinstance(statement, ast.For):
                loose.visit(statement)
                continue
            for name in sorted(_bound(statement)):
                if name == "__all__":
                    continue
                for made in _definitions(f"{module.name}.{name}", statement, module, modules):
                    earlier = found.setdefault(made.name, made)
                    earlier.uses |= made.uses
                    earlier.attributes |= made.attributes
        on_import[module.name] = {resolve(u, modules) for u in loose.uses}
    for made in found.values():
        made.uses = {resolve(u, modules) for u in made.uses}
    return found, on_import


def _is_for_checkers(statement: ast.stmt) -> bool:
    return isinstance(statement, ast.If) and "TYPE_CHECKING" in ast.unparse(statement.test)


def _definitions(name: str, node: ast.stmt, module: Module, modules: dict[str, Module]) -> Iterator[Definition]:
    """A definition, and the methods of a class as definitions of their own."""
    visitor = _Uses(module, modules)
    if not isinstance(node, ast.ClassDef):
        visitor.visit(node)
        commands = False
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            calls = [ast.unparse(d.func).rsplit(".", 1)[-1] for d in node.decorator_list if isinstance(d, ast.Call)]
            commands = bool({"command", "callback"} & set(calls))
        yield Definition(name, visitor.uses, visitor.attributes, is_command=commands)
        return
    bases = {ast.unparse(base).split("[")[0].rsplit(".", 1)[-1] for base in node.bases}
    foreign = any(
        base not in PLAIN_BASES and not resolve(visitor.target(base), modules).startswith(PRODUCT) for base in bases
    )
    methods = [n for n in node.body if isinstance(n, ast.FunctionDef | ast.AsyncFunctionDef)]
    for part in (*node.decorator_list, *node.bases, *node.keywords, *node.body):
        if part not in methods:
            visitor.visit(part)
    yield Definition(name, visitor.uses, visitor.attributes)
    for method in methods:
        inner = _Uses(module, modules)
        inner.visit(method)
        registered = any("validator" in ast.unparse(d) for d in method.decorator_list)
        called = method.name.startswith("__") or registered or foreign
        yield Definition(f"{name}.{method.name}", inner.uses, inner.attributes, name, called)


def roots_of(modules: dict[str, Module], definitions: dict[str, Definition]) -> set[str]:
    """Entries: the program, the commands, the migrations, and the documented Python names."""
    found = {"doe.cli.main", "doe.__getattr__", "doe.__dir__"}
    found |= {name for name in definitions if re.fullmatch(r"doe\.cli\.\w+\.register", name)}
    found |= {name for name, made in definitions.items() if made.is_command}
    found |= {name for name in definitions if name.startswith("doe.book.migrations.")}
    for statement in modules["doe"].tree.body:
        if isinstance(statement, ast.Assign) and ast.unparse(statement.targets[0]) == "_HOMES":
            homes: dict[str, str] = ast.literal_eval(statement.value)
            found |= {resolve(f"{home}.{name}", modules) for name, home in homes.items()}
    return found


def template_names(root: Path) -> set[str]:
    """Attribute names in the templates' own places, `{{ ... }}` and `{% ... %}`."""
    found: set[str] = set()
    for path in (root / "templates").glob("*.html"):
        for place in re.findall(r"{[{%].*?[%}]}", path.read_text(encoding="utf-8"), re.DOTALL):
            found.update(re.findall(r"\.(\w+)", place))
    return found


def reached(
    roots: set[str], definitions: dict[str, Definition], on_import: dict[str, set[str]], attributes: set[str]
) -> set[str]:
    """What the roots reach, through what is named and through attributes that are so called."""
    attributes = set(attributes)
    methods: dict[str, list[Definition]] = {}
    for made in definitions.values():
        if made.owner:
            methods.setdefault(made.owner, []).append(made)
    seen: set[str] = set()
    todo = set(roots)
    while todo:
        while todo:
            name = todo.pop()
            if name in seen:
                continue
            seen.add(name)
            module = name
            while module and module not in on_import:
                module = module.rpartition(".")[0]
            todo |= on_import.get(module, set()) - seen
            if name in definitions:
                todo |= definitions[name].uses - seen
                attributes |= definitions[name].attributes
        for owner in seen & methods.keys():
            todo |= {
                m.name
                for m in methods[owner]
                if m.name not in seen and (m.is_called or m.name.rsplit(".", 1)[1] in attributes)
            }
    return seen


def unreached(root: Path) -> set[str]:
    """Public definitions below `doe` and `reports` that nothing reaches; methods of unreached classes go with them."""
    modules = modules_of(root, PRODUCT)
    definitions, on_import = definitions_of(modules)
    seen = reached(roots_of(modules, definitions), definitions, on_import, template_names(root))
    return {
        name
        for name, made in definitions.items()
        if name not in seen
        and made.is_public
        and (not made.owner or made.owner in seen)
        and name.startswith(("doe.", "reports."))
    }


def test_every_public_name_is_reached() -> None:
    """By a command, a page, or a documented Python name."""
    left = unreached(Path(__file__).parents[1])
    assert sorted(left - ALLOWED.keys()) == [], "Put these to use, or delete them."
    assert sorted(ALLOWED.keys() - left) == [], "These are reached, or gone: take them off the list."
