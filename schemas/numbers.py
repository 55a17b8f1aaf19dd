"""Numbers that stand for codes in arrays: the position of each code in its list.

Each list of codes that arrays hold has one class here, whose constants a type checker knows::

    cause == GapCause.RADIO            # cause (n,) int8
    list(codes.GAP_CAUSE)[number]      # back to the text of a table

Constants are plain integers. With members of an ``IntEnum`` NumPy would compute in int64, not in
the int8 of the array, which is ten times as slow.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TypeVar

from nodeday.schemas import codes

Numbers = TypeVar("Numbers", bound=type)


def numbers_of(known: Iterable[str]) -> Callable[[Numbers], Numbers]:
    """Return a decorator that gives each annotated name of a class the position of its code in ``known``.

    Names are codes in capitals. Raises TypeError for a name that is no code.

    >>> @numbers_of(["good", "late"])
    ... class Status:
    ...     LATE: int
    >>> Status.LATE
    1
    """
    position = {code.upper(): number for number, code in enumerate(known)}

    def number(cls: Numbers) -> Numbers:
        for name in cls.__annotations__:
            if name not in position:
                raise TypeError(f"{cls.__name__}.{name} is none of the codes {', '.join(position)}")
            setattr(cls, name, position[name])
        return cls

    return number


@numbers_of(codes.GAP_CAUSE)
class GapCause:
    """Numbers of ``codes.GAP_CAUSE``."""

    RADIO: int
    HUB_OUTAGE: int
    JOINT_SILENCE: int
    UNKNOWN: int
