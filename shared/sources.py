"""The source files that a step uses, found by following its imports.

The workflow's own code trigger sees only the script that a rule names. A digest of these files
among the parameters of a rule makes a changed module rerun what depends on it, and nothing else.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PACKAGES = ("shared", "pipeline", "analysis")
# The fields of a tree that hold statements, or blocks of them; the others hold expressions.
_BLOCKS = ("body", "orelse", "handlers", "finalbody", "cases")
# From the first word of the line to its end, or to the parenthesis that closes a list of names.
_PROJECT_IMPORT = re.compile(
    rf"^[ \t]*((?:from|import)[ \t]+(?:{'|'.join(PACKAGES)}|\.)[^\n(]*(?:\([^)]*\))?)", re.MULTILINE
)
# Read at run time by the modules beside them, so they belong to the code.
_DATA_SUFFIXES = (".yaml", ".jinja", ".css", ".js")


@cache
def _module_file(module: str) -> Path | None:
    base = ROOT.joinpath(*module.split("."))
    for candidate in (base.with_suffix(".py"), base / "__init__.py"):
        if candidate.is_file():
            return candidate
    return None


def _absolute(node: ast.ImportFrom, module: str, is_package: bool) -> str:
    if not node.level:
        return node.module or ""
    parts = module.split(".")
    parts = parts[: len(parts) - node.level + (1 if is_package else 0)]
    return ".".join([*parts, *([node.module] if node.module else [])])


def _statements(node: ast.AST) -> Iterator[ast.stmt]:
    """Yield all statements below a node; expressions, which are most of a tree, are passed over."""
    pending = [node]
    while pending:
        parent = pending.pop()
        if isinstance(parent, ast.stmt):
            yield parent
        for field in _BLOCKS:
            # A conditional expression or a lambda has a body that is no list: it holds none.
            if isinstance(block := getattr(parent, field, None), list):
                pending += block


def import_statements(text: str) -> Iterator[ast.stmt]:
    """Yield the statements of a module among which its imports from the project are.

    Only the lines that look like such an import are parsed, which is five times faster than the
    whole module; where they do not parse (a sentence of a text, an import on two lines) it is.
    """
    try:
        yield from ast.parse("\n".join(_PROJECT_IMPORT.findall(text))).body
    except SyntaxError:
        yield from _statements(ast.parse(text))


@cache
def _imports(module: str) -> tuple[str, ...]:
    file = _module_file(module)
    if file is None:
        return ()
    found: set[str] = set()
    for node in import_statements(file.read_text(encoding="utf-8")):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = _absolute(node, module, file.name == "__init__.py")
            found.add(base)
            found.update(f"{base}.{alias.name}" for alias in node.names)
    return tuple(sorted(name for name in found if name.split(".")[0] in PACKAGES))


def _with_parents(module: str) -> list[str]:
    parts = module.split(".")
    return [".".join(parts[:length]) for length in range(1, len(parts) + 1)]


@cache
def sources_of(step: str) -> tuple[Path, ...]:
    """Return every project file that `step` ("package.module:function") can reach by imports.

    Data files (YAML, templates, styles) in the folders of the reached modules are included.
    """
    pending = _with_parents(step.partition(":")[0])
    modules: set[str] = set()
    while pending:
        module = pending.pop()
        if module in modules or _module_file(module) is None:
            continue
        modules.add(module)
        for imported in _imports(module):
            pending.extend(_with_parents(imported))
    files = {file for module in modules if (file := _module_file(module)) is not None}
    folders = {file.parent for file in files}
    data = {
        file
        for folder in folders
        for file in folder.iterdir()
        if file.suffix in _DATA_SUFFIXES and file.is_file()
    }
    return tuple(sorted(files | data))
