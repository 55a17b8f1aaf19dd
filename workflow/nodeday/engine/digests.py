"""Digests of code: a stage runs again once anything that it runs has changed.

The workflow engine sees files and parameters, not an edited module. So each rule has a digest of its
stage's code among its parameters: of the modules that the stage runs, of all that these import, and of
the templates and styles in the packages of these.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path

from nodeday.engine import imports
from nodeday.engine.stages import STAGES

LIBRARIES = ("numpy", "scipy", "pandas", "pyarrow", "anycrc", "dpkt", "tsdownsample")
"""Libraries that compute what stands in tables and pages."""
DATA = (".css", ".html", ".js", ".yaml")
"""Suffixes of files that modules read from their own package."""


@cache
def code(stage: str) -> str:
    """Return the digest of all that ``stage`` runs, 16 hexadecimal digits; raise KeyError for no stage."""
    return digest_of(sources(stage, imports.modules()))


@cache
def libraries() -> dict[str, str]:
    """Return the version of each library that computes, as it is installed."""
    return {name: importlib.metadata.version(name) for name in LIBRARIES}


def code_and_libraries(stage: str) -> str:
    """Return one text that changes with the code of ``stage`` and with the libraries that compute."""
    return " ".join([code(stage), *map("=".join, libraries().items())])


def sources(stage: str, known: Mapping[str, Path]) -> dict[str, Path]:
    """Return the files that ``stage`` depends on, by name; ``known`` are the modules there are.

    The names are the same wherever the package is installed.
    """
    entries = [f"{imports.PACKAGE}.{module}" for module in STAGES[stage].modules]
    found = {}
    for name in imports.closure(entries, known):
        path = known[name]
        found[name] = path
        if path.name == "__init__.py":
            data = (each for each in path.parent.iterdir() if each.suffix in DATA)
            found |= {f"{name}/{each.name}": each for each in data}
    return found


def digest_of(files: Mapping[str, Path], read: Callable[[Path], bytes] = Path.read_bytes) -> str:
    """Return one digest of the names and contents of ``files``, 16 hexadecimal digits."""
    digest = hashlib.sha256()
    for name, path in sorted(files.items()):
        digest.update(f"{name}\0{hashlib.sha256(read(path)).hexdigest()}\n".encode())
    return digest.hexdigest()[:16]
