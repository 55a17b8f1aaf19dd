"""Modules of this package and what each imports, read from sources; nothing is imported for it.

An import counts wherever it stands: at the top, inside a function, or as the name of a module in a
string, as `importlib.import_module`, `python -m` and loaders of templates take it.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterable, Iterator, Mapping
from fnmatch import fnmatchcase
from functools import cache
from pathlib import Path

import nodeday
from nodeday import schemas

PACKAGE = "nodeday"
_QUOTED = re.compile(rf"['\"]{PACKAGE}\.|-m {PACKAGE}\.".encode())
_NAMED = re.compile(rf"\A({PACKAGE}(?:\.\w+)+)\Z|-m ({PACKAGE}(?:\.\w+)+)")


@cache
def modules() -> Mapping[str, Path]:
    """Return the source file of every module by its dotted name; a package stands for its ``__init__.py``."""
    return modules_below(Path(nodeday.__file__).parent, Path(schemas.__file__).parent)


def modules_below(package: Path, contracts: Path) -> dict[str, Path]:
    """Return the modules in the folder ``package``, and those of ``nodeday.schemas`` in ``contracts``.

    The two folders lie apart in a checkout; in an installed wheel one lies in the other.
    """
    found = {}
    for prefix, root in ((PACKAGE, package), (f"{PACKAGE}.schemas", contracts)):
        for path in sorted(root.rglob("*.py")):
            parts = path.relative_to(root).with_suffix("").parts
            inside = parts[:-1] if parts[-1] == "__init__" else parts
            found[".".join((prefix, *inside))] = path
    return found


@cache
def names_in(source: bytes, package: str) -> frozenset[str]:
    """Return dotted names that a module's ``source`` may import; ``*`` stands for what only a run knows.

    ``package`` is what relative imports start from. `from x import y` gives ``x:y``: whether ``y`` is a
    module in ``x`` or a name that ``x`` defines, a source alone does not say.
    """
    tree = ast.parse(source)
    found = set(_in_statements(tree.body, package.split(".")))
    if _QUOTED.search(source):  # else there is no need to look through all expressions
        found |= set(_in_strings(tree))
    return frozenset(found)


def _in_statements(body: list[ast.stmt], package: list[str]) -> Iterator[str]:
    """Return names in import statements of ``body`` and of all blocks in it; expressions hold none."""
    for node in body:
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            above = package[: len(package) - node.level + 1] if node.level else []
            origin = ".".join([*above, *([node.module] if node.module else [])])
            yield from (f"{origin}:{alias.name}" for alias in node.names)
        for block in ("body", "orelse", "finalbody", "handlers", "cases"):
            yield from _in_statements(getattr(node, block, []), package)


def _in_strings(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield from (name for match in _NAMED.findall(node.value) for name in match if name)
        elif isinstance(node, ast.JoinedStr):
            parts = [part.value if isinstance(part, ast.Constant) else "*" for part in node.values]
            pattern = "".join(map(str, parts))
            if pattern.startswith(f"{PACKAGE}."):
                yield pattern


def imports_of(name: str, source: bytes, known: Mapping[str, Path]) -> set[str]:
    """Return the modules among ``known`` that module ``name`` with ``source`` imports, itself left out."""
    package = name if known[name].name == "__init__.py" else name.rpartition(".")[0]
    found = set()
    for each in names_in(source, package):
        origin, _, inner = each.partition(":")
        if f"{origin}.{inner}" in known:
            found.add(f"{origin}.{inner}")
        elif origin in known:
            found.add(origin)
        elif "*" in origin:
            found |= {module for module in known if fnmatchcase(module, origin)}
    return found - {name}


def closure(entries: Iterable[str], known: Mapping[str, Path]) -> set[str]:
    """Return ``entries`` and all that they import, directly or not.

    To import a module runs the ``__init__.py`` of each package that it lies in, so these count as well.
    Raises KeyError for an entry that is not among ``known``.
    """
    reached: set[str] = set()
    waiting = list(entries)
    while waiting:
        name = waiting.pop()
        if name in reached:
            continue
        reached.add(name)
        waiting += imports_of(name, known[name].read_bytes(), known)
        waiting += [package for package in _packages(name) if package in known]
    return reached


def _packages(name: str) -> Iterator[str]:
    """Return the packages that a module lies in, the outermost last."""
    while "." in name:
        name = name.rpartition(".")[0]
        yield name
