"""The study's written rules over arrays: what falls short of a limit, and what a node is good for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Failure:
    """A rule that is not met; ``node`` is ``*`` for the whole session, ``value`` None where nothing
    could be measured."""

    node: str
    rule: str
    threshold: float
    value: float | None


def coverage(samples: int, rate_hz: float, seconds: float) -> float:
    """Share (0 to 1) of the samples that a stream of ``rate_hz`` owes over ``seconds``; more is better.

    A node that starts late, restarts or falls silent owes those samples too.

    >>> coverage(180, 1.0, 200.0)
    0.9
    """
    return min(1.0, samples / (rate_hz * seconds)) if seconds > 0 else 0.0


def failures(
    hours: float,
    coverages: dict[str, float],
    uncertainties_ms: dict[str, float | None],
    min_hours: float,
    min_coverage: float,
    max_uncertainty_ms: float,
) -> list[Failure]:
    """Every rule that a session (node ``*``) or one of its nodes does not meet.

    Limits are inclusive: a value that equals its limit meets the rule. A node without a clock
    fails the clock's rule with no value.
    """
    found = []
    if hours < min_hours:
        found.append(Failure("*", "min_hours", min_hours, hours))
    for node, share in coverages.items():
        if share < min_coverage:
            found.append(Failure(node, "min_coverage", min_coverage, share))
    for node, width in uncertainties_ms.items():
        if width is None or width > max_uncertainty_ms:
            found.append(Failure(node, "max_clock_uncertainty", max_uncertainty_ms, width))
    return found


def share_below(
    epoch_coverage: NDArray[np.float64],
    epoch_uncertainty_ms: NDArray[np.float64],
    min_coverage: float,
    max_uncertainty_ms: float,
) -> float:
    """Share (0 to 1) of the session's epochs, both (n,), in which a node is below a limit; an
    epoch without a coverage or an uncertainty (NaN) is below. Without epochs the share is 1."""
    if not epoch_coverage.size:
        return 1.0
    good = (epoch_coverage >= min_coverage) & (epoch_uncertainty_ms <= max_uncertainty_ms)
    return 1.0 - float(np.count_nonzero(good)) / good.size


def uncertainty_at(
    at_ns: NDArray[np.int64], knot_utc_ns: NDArray[np.int64], knot_ms: NDArray[np.float64]
) -> NDArray[np.float64]:
    """The wider of the uncertainties (ms) at the knots (k,) on both sides of each instant (n,).

    The nearest knot stands beyond the ends; NaN (n,) without knots.
    """
    if not knot_utc_ns.size:
        return np.full(at_ns.shape, np.nan)
    order = np.argsort(knot_utc_ns, kind="stable")
    right = np.searchsorted(knot_utc_ns[order], at_ns)
    sides = [np.clip(right - step, 0, order.size - 1) for step in (0, 1)]
    widths = knot_ms[order]
    return np.maximum(widths[sides[0]], widths[sides[1]])


def verdict(failing: bool, below: float) -> str:
    """The code of a node: ``failing`` says whether a rule of its own or of its session is not met,
    ``below`` is :func:`share_below`. More than half below the limits is unusable (our choice)."""
    if below > 0.5:
        return "unusable"
    return "limited" if failing else "usable"
