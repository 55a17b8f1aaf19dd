"""Types of single values that people write: rates, instants, codes, names of nodes, time zones."""

from __future__ import annotations

import functools
from datetime import datetime
from typing import Annotated
from zoneinfo import available_timezones

from pydantic import AfterValidator
from pydantic import Field as Setting

from nodeday.core.errors import did_you_mean
from nodeday.core.refusals import CODE, NAME

Rate = Annotated[float, Setting(ge=0.01, le=2000)]
FIRST_YEAR, LAST_YEAR = 1970, 2199
"""Years of written instants; the tables hold no others."""
LONGEST_NAME = 64
"""Characters of a code or name: files and folders are named by it, with more around it."""


def _in_range(at: datetime) -> datetime:
    """Return ``at`` where the tables can hold it; else raise ValueError."""
    if not FIRST_YEAR <= at.year <= LAST_YEAR:
        raise ValueError(f"{at} is in the year {at.year}, not in {FIRST_YEAR} to {LAST_YEAR}")
    return at


Instant = Annotated[datetime, AfterValidator(_in_range)]
Code = Annotated[str, Setting(pattern=CODE, max_length=LONGEST_NAME)]
NodeName = Annotated[str, Setting(pattern=NAME, max_length=LONGEST_NAME)]


@functools.cache
def _zones() -> frozenset[str]:
    return frozenset(available_timezones())


def known_zone(zone: str) -> str:
    """Return ``zone`` if it is a time zone; else raise ValueError that names the nearest one."""
    if zone in _zones():
        return zone
    raise ValueError(f"no time zone is named {zone}{did_you_mean(zone, _zones())}")
