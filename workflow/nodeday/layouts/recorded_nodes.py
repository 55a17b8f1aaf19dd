"""Addresses of the nodes of a decoded recording, by what the recording calls them."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import count

from nodeday.core.errors import ContractError

DIGITS = 18
"""Of the longest number that is an address: it fits into 64 bits."""


def addresses_of(texts: Iterable[str], where: str) -> dict[str, int]:
    """Return an address for each of the different ``texts`` that stand in a column of nodes.

    A whole number is its own address, whatever zeros it begins with; all others get, in alphabetical order,
    the least numbers from 1 on that are free. Raises ContractError where two texts are one number.

    >>> addresses_of(["wrist", "chest", "02"], "day.csv")
    {'02': 2, 'chest': 1, 'wrist': 3}
    """
    by_number: dict[int, str] = {}
    for text in (ordered := sorted(texts)):
        if not _is_address(text):
            continue
        if int(text) in by_number:
            raise ContractError(
                f"nodes {by_number[int(text)]!r} and {text!r} are one number",
                where,
                "one way to write each node",
                "Correct a copy: write one node always alike, and several with different numbers.",
            )
        by_number[int(text)] = text
    free = (number for number in count(1) if number not in by_number)
    return {text: int(text) if _is_address(text) else next(free) for text in ordered}


def _is_address(text: str) -> bool:
    return text.isascii() and text.isdigit() and len(text) <= DIGITS
