"""Percentages as every page and command writes them."""

from __future__ import annotations


def percent(share: float | None, digits: int = 1, space: str = " ") -> str:
    """Return a share (0 to 1) as percent; "none" for no share.

    Rounding never shows 100 % where anything is absent, nor 0 % where anything is there: what would round
    to either is written as ``> 99.9 %`` and ``< 0.1 %``.

    >>> percent(0.99951), percent(1.0), percent(0.9985), percent(0.0), percent(0.0004), percent(None)
    ('> 99.9 %', '100 %', '99.9 %', '0 %', '< 0.1 %', 'none')
    >>> percent(0.995, 0), percent(0.004, 0), percent(0.123, 0)
    ('> 99 %', '< 1 %', '12 %')
    """
    if share is None or share != share:
        return "none"
    if share in (0.0, 1.0):
        return f"{share * 100:.0f}{space}%"
    edge, text = 10.0**-digits, f"{share * 100:.{digits}f}"
    if share < 1 and float(text) >= 100:
        text = f"> {100 - edge:.{digits}f}"
    elif share > 0 and float(text) <= 0:
        text = f"< {edge:.{digits}f}"
    return f"{text}{space}%"


def limit(share: float, space: str = " ") -> str:
    """Return a share that a person wrote, such as a limit, as percent with all of its digits.

    >>> limit(0.8), limit(0.875), limit(0.9999)
    ('80 %', '87.5 %', '99.99 %')
    """
    return f"{round(share * 100, 9):.10g}{space}%"
