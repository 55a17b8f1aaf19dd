"""Numbers, times and lists as a page shows them."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np

from nodeday.core import percent as core

THIN = "\u202f"
"""The narrow space inside numbers and before a percent sign."""


def percent(share: float | None, digits: int = 1) -> str:
    r"""Return a share as percent with a narrow space.

    >>> percent(0.918), percent(0.9999)
    ('91.8\u202f%', '> 99.9\u202f%')
    """
    return core.percent(share, digits, THIN)


def limit(share: float) -> str:
    r"""Return a share that the study states as percent with all of its digits.

    >>> limit(0.875)
    '87.5\u202f%'
    """
    return core.limit(share, THIN)


def count(number: int) -> str:
    r"""Return a whole number in groups of three digits.

    >>> count(1234567)
    '1\u202f234\u202f567'
    """
    return f"{number:,}".replace(",", THIN)


def number(value: float | None, digits: int = 1, sign: bool = False) -> str:
    """Return a number with a real minus sign; a dash where there is none.

    >>> number(-2.346, 2), number(2, 1, sign=True), number(float("nan"))
    ('−2.35', '+2.0', '–')
    """
    if value is None or np.isnan(value):
        return "–"
    return f"{value:{'+' if sign else ''}.{digits}f}".replace("-", "−")


def duration(seconds: float) -> str:
    """Return a length of time in the largest unit or two that it fills.

    >>> duration(0.08), duration(75), duration(5400), duration(0)
    ('80 ms', '1 min 15 s', '1 h 30 min', '0 s')
    """
    if 0 < seconds < 1:
        return f"{seconds * 1000:.0f} ms"
    if seconds < 10:
        return f"{seconds:.1f} s".replace(".0 s", " s")
    full = round(seconds)
    if full < 60:
        return f"{full} s"
    if full < 3600:
        return f"{full // 60} min" + (f" {full % 60} s" if full % 60 else "")
    return f"{full // 3600} h" + (f" {full % 3600 // 60} min" if full % 3600 >= 60 else "")


def local(at_ns: int, zone: ZoneInfo, pattern: str = "%H:%M") -> str:
    """Return a local time to the nearest second, as a clock on the wall would have shown it."""
    nearest = (at_ns + 500_000_000) // 1_000_000_000
    return datetime.fromtimestamp(nearest, UTC).astimezone(zone).strftime(pattern)


def times(n: int) -> str:
    """Return how often something happened, in words.

    >>> times(1), times(2), times(7)
    ('once', 'twice', '7 times')
    """
    return {1: "once", 2: "twice"}.get(n, f"{n} times")


def listed(items: list[str]) -> str:
    """Return items as a list in a sentence.

    >>> listed(["a"]), listed(["a", "b", "c"])
    ('a', 'a, b and c')
    """
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}" if items else "none"
