"""What the hub's own clock did: its runs between restarts, and jumps that look like restarts of all nodes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nodeday.arrays import Ints

HUB = "hub"
FALL_NS = 5_000_000_000
"""A hub clock that falls back by more has started anew; late frames fall back by less. The rooms loss
and clock both say 5 s. Choice of this project."""
JUMP_NS = 2_000_000_000
"""A step forward by more may be a jump of the hub's clock; room frames calls such a step a restart of
each node whose ticks do not follow. Choice of this project."""
AGREE_S = 2.0
"""Nodes whose ticks tell of one shared pause, to within this, did not restart. Choice of this project."""


@dataclass(frozen=True)
class Hub:
    """Of each frame in capture order, (n,): the hub's run, and its time while it was on, which rises
    from run to run. ``marks`` are rows of the host's marks and ``ahead`` host UTC less hub time in each,
    (m,); ``either`` are instants of ``on_ns`` at which the hub restarted, or else every node did."""

    run: Ints
    on_ns: Ints
    marks: Ints
    ahead: Ints
    either: Ints

    @property
    def utc_ns(self) -> dict[int, int]:
        """Host UTC less hub time by run, by the least delayed mark; runs without a mark are absent."""
        run = self.run[self.marks]
        return {int(each): int(self.ahead[run == each].min()) for each in np.unique(run)}

    def utc_of(self, run: int, on_ns: int, hub_ns: int) -> int | None:
        """UTC of an instant of a run, by the nearest host mark; None where the run has none."""
        own = np.flatnonzero(self.run[self.marks] == run)
        if not len(own):
            return None
        nearest = own[np.abs(self.on_ns[self.marks[own]] - on_ns).argmin()]
        return hub_ns + int(self.ahead[nearest])


def follow(
    hub_ns: Ints, capture: Ints, node: Ints, boot: Ints, ticks: Ints, ticks_raw: Ints,
    rates: list[tuple[float, int]], is_hub: list[bool], marks: tuple[Ints, Ints],
) -> Hub:  # fmt: skip
    """Follow the hub's clock along the frames of the first capture, (n,) each in capture order.

    ``rates`` by node are (ticks a second, range of the raw ticks), ``marks`` rows and UTC of the
    host's marks. Frames of further captures take the run of their node's nearest frame.
    """
    first = np.flatnonzero(capture == 0)
    begins = np.diff(hub_ns[first], prepend=hub_ns[first][:1]) < -FALL_NS
    ahead = marks[1] - hub_ns[marks[0]]
    early = capture[marks[0]] == 0
    steps = np.searchsorted(first, marks[0][early]), ahead[early]
    told = _jumps(hub_ns[first], node[first], boot[first], ticks_raw[first], rates, is_hub, steps)
    begins[[at for at, sure in told if sure]] = True
    run = np.zeros(len(hub_ns), np.int64)
    run[first] = np.cumsum(begins)
    if len(first) < len(hub_ns):
        _take_nearest(run, first, node, boot, ticks)
    on_ns = _on_ns(hub_ns, run)
    # At the last stamp before the jump; a frame later is after it.
    either = np.array([on_ns[first[at - 1]] for at, sure in told if not sure], np.int64)
    return Hub(run, on_ns, marks[0], ahead, np.sort(either))


def _on_ns(hub_ns: Ints, run: Ints) -> Ints:
    """Runs of the hub laid end to end::

    hub    100 110 120 | 5 15 25        the clock began anew after 120
    on       0  10  20 | 20 30 40
    """
    out, at = hub_ns.copy(), 0
    for number in range(int(run.max()) + 1 if len(run) else 0):
        own = run == number if number or run.any() else slice(None)
        if not hub_ns[own].size:
            continue
        low, high = int(hub_ns[own].min()), int(hub_ns[own].max())
        out[own] += at - low
        at += high - low
    return out


def _take_nearest(run: Ints, first: Ints, node: Ints, boot: Ints, ticks: Ints) -> None:
    """Fill ``run`` of the frames outside ``first`` in place; a boot that the first capture never
    heard stays in the first run."""
    other = np.ones(len(run), np.bool_)
    other[first] = False
    key = node * (int(boot.max()) + 1) + boot
    for each in np.unique(key[other]).tolist():
        mine, theirs = np.flatnonzero(other & (key == each)), first[key[first] == each]
        if len(theirs):
            theirs = theirs[np.argsort(ticks[theirs], kind="stable")]
            at = np.searchsorted(ticks[theirs], ticks[mine]).clip(max=len(theirs) - 1)
            run[mine] = run[theirs[at]]


def _jumps(
    hub_ns: Ints, node: Ints, boot: Ints, ticks_raw: Ints, rates: list[tuple[float, int]], is_hub: list[bool],
    marks: tuple[Ints, Ints],
) -> list[tuple[int, bool]]:  # fmt: skip
    """Rows before which every node begins a new boot although their ticks agree on one pause::

        hub clock   |10 11 12       900 901        it jumped: nobody was away for so long
        heart ticks |40 41 42        45  46        3 more
        wrist ticks | 7  8  9        12  13        3 more

    True where host marks on both sides say that it jumped, or the ticks cannot have begun at zero
    meanwhile; else the hub or every node restarted. Marks that say it did not jump settle that too.
    """
    steps = np.flatnonzero(np.diff(hub_ns) > JUMP_NS) + 1
    if not len(steps):
        return []
    rows = [np.flatnonzero(node == k) for k in range(len(rates)) if not is_hub[k]]
    found = []
    for at in steps.tolist():
        sides = [(own[i - 1], own[i]) for own in rows if 0 < (i := int(np.searchsorted(own, at))) < len(own)]
        if len(sides) < 2 or any(boot[a] == boot[b] for a, b in sides):
            continue
        pauses, wraps, sure = [], set(), False
        for a, b in sides:
            hz, modulus = rates[int(node[a])]
            seen_s = (hub_ns[at - 1] - hub_ns[a] + hub_ns[b] - hub_ns[at]) / 1e9
            pauses.append(int(ticks_raw[b] - ticks_raw[a]) % modulus / hz - seen_s)
            wraps.add(modulus / hz)
            sure |= bool(ticks_raw[b] / hz > (hub_ns[b] - hub_ns[a]) / 1e9 + AGREE_S)
        wrap = min(wraps)
        apart = (np.array(pauses) - pauses[0] + wrap / 2) % wrap - wrap / 2
        after = int(np.searchsorted(marks[0], at))
        if 0 < after < len(marks[0]):
            sure = bool(abs(marks[1][after] - marks[1][after - 1]) > JUMP_NS)
            if not sure:
                continue
        if np.ptp(apart) <= AGREE_S and len(wraps) == 1:
            found.append((at, sure))
    return found
