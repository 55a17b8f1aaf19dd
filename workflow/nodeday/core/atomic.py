"""Files that appear under their name only when complete: a killed process leaves the old file or none."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def naming(target: Path) -> Iterator[None]:
    """Add the name of ``target`` to an error of the operating system that names no file."""
    try:
        yield
    except OSError as error:
        error.filename = error.filename or str(target)
        raise


@contextmanager
def replacing(target: Path) -> Iterator[Path]:
    """Give a hidden file in the folder of ``target`` to write to; move it there when the block ends well.

    The next process that writes ``target`` overwrites what a killed one leaves behind.
    """
    target.parent.mkdir(parents=True, exist_ok=True)
    partial = target.with_name(f".{target.name}.partial")
    try:
        with naming(target):
            yield partial
        os.replace(partial, target)
    except BaseException:
        partial.unlink(missing_ok=True)
        raise


@contextmanager
def folder(target: Path) -> Iterator[Path]:
    """Give an empty hidden folder that replaces ``target`` and all its files when the block ends well.

    Where the block raises, ``target`` stays as it was. What a killed process leaves behind is removed by
    the next one that writes ``target``.
    """
    partial = target.with_name(f".{target.name}.partial")
    shutil.rmtree(partial, ignore_errors=True)
    partial.mkdir(parents=True)
    try:
        yield partial
        shutil.rmtree(target, ignore_errors=True)
        os.replace(partial, target)
    except BaseException as error:
        if isinstance(error, OSError) and error.filename:  # no reader knows the hidden folder
            error.filename = str(error.filename).replace(partial.name, target.name)
        shutil.rmtree(partial, ignore_errors=True)
        raise


def write_text(target: Path, text: str) -> None:
    """Write ``text`` as UTF-8, all of it or nothing."""
    with replacing(target) as partial:
        partial.write_text(text, encoding="utf-8")
