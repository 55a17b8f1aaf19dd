r"""Table ``battery``: the voltage of each node over the session, time left, and silences after a fall.

::

    volts  ------------__________           .
                                 \_         .    the last third of the recording, one hour at least,
                                   \  (gone)      gives the rate that time left rests on
    frames | | | | | | | | | | | | |        .
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Floats, Ints
from nodeday.stages.loss import causes
from nodeday.stages.loss.streams import SessionFrames, StreamFrames

HOUR_NS, BIN_NS = 3_600_000_000_000, 300_000_000_000
LEAST_BINS = 6
"""Half an hour of medians of 5 min: with less no rate is told. Choice of this project."""
SHARE = 1 / 3
STEADY_V_PER_H = 0.002
"""A fall slower than this cannot be told from none by a converter's steps. Choice of this project."""


def of_node(streams: list[StreamFrames], session: SessionFrames, empty_v: float) -> dict[str, Any] | None:
    """Row of table ``battery`` of a node by all its streams; None where it sends no voltage."""
    volts = _joined([each.measured("battery_v") for each in streams])
    sent = np.isfinite(volts)
    if not sent.any():
        return None
    on_ns, hub_ns, boot = (
        _joined([getattr(each, name) for each in streams]) for name in ("on_ns", "hub_ns", "boot")
    )
    if (np.diff(on_ns) < 0).any():
        order = np.argsort(on_ns, kind="stable")
        on_ns, hub_ns, boot, volts, sent = (each[order] for each in (on_ns, hub_ns, boot, volts, sent))
    at, level = medians(on_ns, volts) if sent.all() else medians(on_ns[sent], volts[sent])
    node, period = streams[0].node, min(each.periods_s[-1] for each in streams)
    falls = _after_a_fall(on_ns, boot, volts, period, partial(session.others_ns, node), session.last_ns)
    silent, gone = next(falls, None), causes.fell_silent(int(on_ns[-1]), session.last_ns, period)
    rate = fall_v_per_h(at, level)
    left = (level[-1] - empty_v) / rate if rate is not None and rate >= STEADY_V_PER_H else None
    reason = "silent" if gone else "too_short" if rate is None else "not_falling" if left is None else None
    return {
        "node": node,
        "readings": int(sent.sum()),
        "first_v": level[0],
        "last_v": level[-1],
        "fall_v_per_h": np.nan if rate is None else rate,
        "left_h": np.nan if reason or left is None else max(left, 0.0),
        "left_reason": reason,
        "state": "silent_after_fall"
        if silent is not None
        else "giving_way"
        if causes.battery_fell(on_ns, volts)
        else "holding",
        "silent_hub_ns": None if silent is None else int(hub_ns[silent]),
    }


def _joined(parts: list[NDArray[Any]]) -> NDArray[Any]:
    """One after the other; a single one as it is."""
    return parts[0] if len(parts) == 1 else np.concatenate(parts)


def _after_a_fall(
    on_ns: Ints, boot: Ints, volts: Floats, period_s: float, others_ns: Callable[[], Ints], end_ns: int
) -> Iterator[int]:
    """The last frame before each silence or restart that a falling voltage led to, frames (n,) in order.

    A silence of all nodes is the hub's, and says nothing of this battery: ``others_ns`` gives when frames of
    the others came, in order.
    """
    long_ns = max(causes.GONE_PERIODS * period_s * 1e9, causes.GONE_NS)
    after = np.append(on_ns[1:], end_ns)
    stops = (after - on_ns > long_ns) | np.append(np.diff(boot) != 0, False)
    others = others_ns() if stops.any() else on_ns[:0]
    for last in np.flatnonzero(stops).tolist():
        # Others heard at the edges of an outage do not speak against it; in its middle half they do.
        part = (after[last] - on_ns[last]) // 4
        heard = np.searchsorted(others, [on_ns[last] + part, after[last] - part], side="right")
        mine = boot[: last + 1] == boot[last]
        if heard[1] > heard[0] and causes.battery_fell(on_ns[: last + 1][mine], volts[: last + 1][mine]):
            yield last


def medians(on_ns: Ints, volts: Floats) -> tuple[Floats, Floats]:
    """Hours since the first reading and median voltage, of 5 min each, from readings (n,) in order."""
    number = (on_ns - on_ns[0]) // BIN_NS
    starts = np.flatnonzero(np.diff(number, prepend=-1))
    level = np.array([np.median(part) for part in np.split(volts, starts[1:])])
    return number[starts] * (BIN_NS / HOUR_NS), np.asarray(level, np.float64)


def fall_v_per_h(at_h: Floats, level_v: Floats) -> float | None:
    """How fast the voltage (n,) falls at the end, by least squares; None where too little was heard."""
    late = at_h >= at_h[-1] - max(1.0, SHARE * (at_h[-1] - at_h[0]))
    if int(late.sum()) < LEAST_BINS:
        return None
    return -float(np.polyfit(at_h[late], level_v[late], 1)[0])
