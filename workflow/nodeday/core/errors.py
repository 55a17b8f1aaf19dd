"""Errors that a person can act on: what was found, where, what was expected, what to do."""

from __future__ import annotations

import difflib
import errno
import os
from collections.abc import Iterable

GOOD, FAULT, USAGE, CONTRACT = 0, 1, 2, 3
"""Exit codes: good, a fault of nodeday, usage or settings, the data broke a contract."""
STOPPED = 130
"""Exit code after Ctrl-C: 128 + SIGINT, as shells count it."""


class NodedayError(Exception):
    """A problem as one sentence, with the exit code of a command that meets it.

    >>> print(SettingsError("epoch_s is -3", "config/study.yaml", "a positive number"))
    config/study.yaml: epoch_s is -3; expected a positive number.
    """

    exit_code = FAULT

    def __init__(self, found: str, where: str = "", expected: str = "", remedy: str = "") -> None:
        self.found, self.where, self.expected, self.remedy = found, where, expected, remedy
        super().__init__(found, where, expected, remedy)

    def __str__(self) -> str:
        text = f"{self.where}: {self.found}" if self.where else self.found
        if self.expected:
            text += f"; expected {self.expected}"
        return f"{text}. {self.remedy}" if self.remedy else f"{text}."


class SettingsError(NodedayError):
    """Settings, sheets, layouts or arguments that cannot be used."""

    exit_code = USAGE


class ContractError(NodedayError):
    """Data that break a table's contract, a ledger that does not balance, an unusable capture."""

    exit_code = CONTRACT


def unreadable(path: object, error: OSError | UnicodeDecodeError, expected: str) -> SettingsError:
    """Return an error about a file of settings that cannot be read, in words.

    >>> print(unreadable("nodes.tsv", PermissionError(13, "Permission denied"), "a sheet"))
    nodes.tsv: cannot be read: permission denied; expected a sheet.
    """
    if isinstance(error, UnicodeDecodeError):
        reason = f"byte {error.start + 1} is not UTF-8"
    else:
        reason = os.strerror(error.errno).lower() if error.errno else "the system gives no reason"
    return SettingsError(f"cannot be read: {reason}", str(path), expected)


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """Return a hint at the known word nearest to ``word``, to follow it in an error; else nothing.

    >>> did_you_mean("zon", ["zone", "limits"]), did_you_mean("zon", ["limits"])
    (' (did you mean zone?)', '')
    """
    near = difflib.get_close_matches(word, known, n=1)
    return f" (did you mean {near[0]}?)" if near else ""


def of_system(error: OSError) -> SettingsError:
    """Return an error of the operating system as a sentence: a full disk, a file that may not be read.

    Raises ``error`` itself where it has no error number, for then it is not of the system.
    """
    if error.errno is None:
        raise error
    reason = os.strerror(error.errno).lower()
    remedies = {errno.ENOSPC: "Make room on the disk", errno.EDQUOT: "Make room in your quota"}
    return SettingsError(
        f"the system says: {reason}",
        str(error.filename or ""),
        "a file that can be read or written",
        f"{remedies.get(error.errno, 'Put that right')}; then the same command goes on from where it was.",
    )
