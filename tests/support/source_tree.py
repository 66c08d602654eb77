"""The source of both packages as a tree: modules, their imports, the size of their functions."""

from __future__ import annotations

import ast
import functools
from collections.abc import Iterator
from dataclasses import dataclass
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

ROOT = Path(__file__).parents[2]
PACKAGES = {
    "sieve_inspect": ROOT / "inspect" / "sieve_inspect",
    "sieve_registry": ROOT / "registry" / "sieve_registry",
}


@dataclass(frozen=True)
class FunctionSize:
    """Lines, branches plus one, and parameters (self and cls left out) of a function."""

    name: str
    lines: int
    complexity: int
    parameters: int


def find_modules(package: Path) -> dict[str, Path]:
    """Dotted names of a package's modules; migrations run on their own and are left out."""
    modules = {}
    for path in sorted(package.rglob("*.py")):
        parts = path.relative_to(package.parent).with_suffix("").parts
        if "migrations" not in parts:
            modules[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return modules


@functools.cache
def parse(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def import_graph(modules: dict[str, Path]) -> dict[str, set[str]]:
    """For every module the modules it imports anywhere in its code, for types alone left out."""
    graph: dict[str, set[str]] = {}
    for name, path in modules.items():
        home = name if path.name == "__init__.py" else name.rpartition(".")[0]
        imported = {
            other for node in _nodes_run(parse(path)) for other in _imported(node, home, modules)
        }
        graph[name] = (imported & set(modules)) - {name}
    return graph


def find_cycle(graph: dict[str, set[str]]) -> list[str]:
    """The modules of one import cycle, the first one repeated at the end; empty without any."""
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as error:
        return list(error.args[1])
    return []


def function_sizes(module: str, tree: ast.Module) -> Iterator[FunctionSize]:
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            given = [
                a.arg for a in (*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs)
            ]
            yield FunctionSize(
                f"{module}.{node.name}",
                (node.end_lineno or node.lineno) - node.lineno + 1,
                1 + sum(_branches(part) for part in ast.walk(node)),
                len(given) - (given[:1] in (["self"], ["cls"])),
            )


def _branches(node: ast.AST) -> int:
    if isinstance(node, ast.BoolOp):
        return len(node.values) - 1
    kinds = ast.If | ast.For | ast.While | ast.ExceptHandler | ast.IfExp | ast.comprehension
    return int(isinstance(node, kinds | ast.Assert))


def _nodes_run(node: ast.AST) -> Iterator[ast.AST]:
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.expr):
            continue  # imports are statements
        if isinstance(child, ast.If) and "TYPE_CHECKING" in ast.unparse(child.test):
            continue
        yield child
        yield from _nodes_run(child)


def _imported(node: ast.AST, home: str, modules: dict[str, Path]) -> set[str]:
    """Names of modules in a statement; `from package import module` names the module alone."""
    if isinstance(node, ast.Import):
        return {alias.name for alias in node.names}
    if not isinstance(node, ast.ImportFrom):
        return set()
    above = home.split(".")[: 1 - node.level or None] if node.level else []
    base = ".".join([*above, *filter(None, [node.module])])
    names = {f"{base}.{alias.name}" for alias in node.names}
    return names if names <= set(modules) else names | {base}
