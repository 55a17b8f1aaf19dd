"""Movements that several accelerometers feel at once: an answer about clocks that no clock had a part in.

The size of the acceleration does not depend on how a node sits, so a jump or three taps look alike in
all of them, and the shift at which they correlate best is what their clocks differ by::

    one    ____|_|___|______        shift 0: little      shift d: much
    other  ______|_|___|____                             d is the offset
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.signal import correlate

from nodeday.core.arrays import Bools, Floats, Ints, Singles

FINE_HZ = 200.0
"""Both signals are compared on a grid this fine, and the peak placed between its points."""
HALF_S, MOST_S = 2.5, 1.0
"""Seconds compared on each side of a moment, and the greatest offset looked for."""
LEAST_R, ALONE_S, MARGIN_R = 0.7, 0.15, 0.15
"""A match correlates by 0.7 or more, and nowhere else than within 0.15 s by less than 0.15 below that, so
that no shift by one step or one tap passes. Choices of this project."""
LEAST_G = 0.1
"""Standard deviation of the size below which nothing moves. Choice of this project."""
STRONG, TRIED, APART_S = 1.5, 40, 10.0
"""A moment is one in which two nodes or more jerk 1.5 times as hard as in 95 of 100 seconds; the 40
hardest, 10 s apart, are tried. Choices of this project."""
BLOCK, SECOND = 100_000, 1_000_000_000
"""Samples in which jerks are looked for at a time, and ns."""
PERIODS = 0.07
"""Half width of the 95 % band of one offset, as a share of both sample periods: 2 ms at 50 Hz. Choice of
this project, held by simulated taps."""


@dataclass(frozen=True)
class MovementSignal:
    """Size of a node's acceleration less 1 g, worked out where it is looked at.

    Frames (f,) have a UTC in ns and ``rows``, their samples (s,) are later by ``wait_ns``, and ``size_g``
    gives (r, s) of some rows. ``order`` (f,) is that of the stamps; None where they stand in order.
    """

    node: str
    stamp_ns: Ints
    wait_ns: Ints
    rows: Ints
    rate_hz: float
    size_g: Callable[[Ints], Floats | Singles]
    order: Ints | None

    @classmethod
    def of(
        cls,
        node: str,
        stamp_ns: Ints,
        wait_ns: Ints,
        rows: Ints,
        rate_hz: float,
        size_g: Callable[[Ints], Floats | Singles],
    ) -> MovementSignal:
        """A signal of frames in any order."""
        late = (np.diff(stamp_ns) < 0).any()  # a frame came late, or a boot's map overlaps the next
        order = np.argsort(stamp_ns, kind="stable") if late else None
        return cls(node, stamp_ns, wait_ns, rows, rate_hz, size_g, order)

    @property
    def edges_ns(self) -> tuple[int, int]:
        """Its first and last instant."""
        return int(self.stamp_ns.min() + self.wait_ns.min()), int(self.stamp_ns.max() + self.wait_ns.max())

    def between(self, start_ns: int, end_ns: int) -> tuple[Ints, Floats | Singles]:
        """Instants in [start, end), in order, and the size at each."""
        edges = start_ns - self.wait_ns.max(), end_ns - self.wait_ns.min()
        low, high = np.searchsorted(self.stamp_ns, edges, sorter=self.order)
        mine = slice(low, high) if self.order is None else np.sort(self.order[low:high])
        at = (self.stamp_ns[mine][:, None] + self.wait_ns).ravel()
        size = self.size_g(self.rows[mine]).ravel()
        if (at[1:] < at[:-1]).any():
            order = np.argsort(at, kind="stable")
            at, size = at[order], size[order]
        part = slice(*np.searchsorted(at, [start_ns, end_ns]))
        return at[part], size[part]

    def pieces(self) -> Iterator[tuple[int, int]]:
        """Half-open stretches of about BLOCK samples, one after the other."""
        first, last = self.edges_ns
        stamps = self.stamp_ns if self.order is None else self.stamp_ns[self.order]
        cuts = stamps[:: max(BLOCK // len(self.wait_ns), 1)][1:] + self.wait_ns.min()
        yield from pairwise([first, *cuts.tolist(), last + 1])


@dataclass(frozen=True)
class MovementMatch:
    """Movement that two nodes share: its middle, the offset of the other's clock, and its 95 % half width."""

    node: str
    other: str
    utc_ns: int
    offset_ms: float
    correlation: float
    uncertainty_ms: float


@dataclass(frozen=True)
class Jerks:
    """Strength of the jerks of each node in each second from ``first_ns`` on, (nodes, seconds).

    It is the greatest jerk, divided by what 95 of 100 seconds stay under.
    """

    first_ns: int
    strength: Floats


def jerks(signals: Sequence[MovementSignal]) -> Jerks:
    """Of each of ``signals``, none where there is nobody to compare with."""
    if len(signals) < 2:
        return Jerks(0, np.zeros((len(signals), 0)))
    edges = [each.edges_ns for each in signals]
    first = min(low for low, _ in edges)
    count = (max(high for _, high in edges) - first) // SECOND + 1
    return Jerks(first, np.stack([_strength(each, first, count) for each in signals]))


def moments(hard: Jerks, within: tuple[int, int] | None = None) -> list[int]:
    """Instants (ns) at which two nodes or more jerk, hardest first; in [start, end) if given.

    In a stretch that somebody noted the hardest second counts, however hard.
    """
    strength, first = hard.strength, hard.first_ns
    if not strength.size:
        return []
    # Clocks may put one movement into neighbouring seconds.
    wide = np.maximum(strength, np.maximum(np.roll(strength, 1, axis=1), np.roll(strength, -1, axis=1)))
    score = np.sort(wide, axis=0)[-2]
    if within is not None:
        at = first + np.arange(len(score)) * SECOND
        score = np.where((at >= within[0]) & (at < within[1]), score, 0.0)
    least = 0.0 if within is not None else STRONG
    found: list[int] = []
    for second in np.argsort(-score, kind="stable")[: 20 * TRIED].tolist():
        if score[second] <= least or len(found) == (1 if within is not None else TRIED):
            break
        at_ns = first + round(_middle(strength, second) * 1e9)
        if all(abs(at_ns - other) >= APART_S * 1e9 for other in found):
            found.append(at_ns)
    return found


def _middle(strength: Floats, second: int) -> float:
    """Middle (s) of what moves around a second, so that none of three taps is cut off."""
    near = np.arange(max(second - 3, 0), min(second + 4, strength.shape[1]))
    weight = (strength[:, near] ** 2).sum(axis=0)
    return float(weight @ (near + 0.5) / max(weight.sum(), 1e-9)) if weight.any() else second + 0.5


def _strength(signal: MovementSignal, first: int, count: int) -> Floats:
    """Greatest jerk in each second, against what 95 of 100 seconds stay under, (count,)."""
    peak, heard, near = np.zeros(count), np.zeros(count, np.bool_), 1.5e9 / signal.rate_hz
    for number, (start, end) in enumerate(signal.pieces()):
        utc_ns, size_g = signal.between(start - math.ceil(near), end)
        # A jerk belongs to the later of its samples; the first of all has none.
        mine = int(np.searchsorted(utc_ns, start)) if number else 1
        if mine == len(utc_ns):
            continue
        jerk = np.zeros(len(utc_ns))
        jerk[1:] = np.where(np.diff(utc_ns) < near, np.abs(np.diff(size_g)), 0.0)
        own = np.arange((utc_ns[mine] - first) // SECOND, (utc_ns[-1] - first) // SECOND + 1)
        begins = np.searchsorted(utc_ns[mine:], first + own * SECOND)
        full = np.diff(begins, append=len(utc_ns) - mine) > 0
        own, begins = own[full], begins[full]
        peak[own], heard[own] = np.maximum(peak[own], np.maximum.reduceat(jerk[mine:], begins)), True
    usual = float(np.quantile(peak[heard], 0.95)) if heard.any() else 1.0
    return peak / max(usual, 1e-3)


def match(one: MovementSignal, other: MovementSignal, at_ns: int) -> MovementMatch | None:
    """Offset of ``other`` against ``one`` around an instant.

    None where they do not match, or where they match at more than one offset.
    """
    half, most = round(HALF_S * FINE_HZ), round(MOST_S * FINE_HZ)
    a, mask_a = _on_grid(one, at_ns, half)
    b, mask_b = _on_grid(other, at_ns, half + most)
    r = masked_correlation(a, mask_a, b, mask_b)
    if not np.isfinite(r).any():
        return None
    peak = int(np.nanargmax(r))
    away = np.abs(np.arange(len(r)) - peak) > ALONE_S * FINE_HZ
    second = np.nanmax(np.where(away, r, -1.0))
    if r[peak] < LEAST_R or second > r[peak] - MARGIN_R or not 0 < peak < len(r) - 1:
        return None
    left, top, right = r[peak - 1], r[peak], r[peak + 1]
    bow = left - 2 * top + right
    between = 0.5 * (left - right) / bow if np.isfinite(bow) and bow < 0 else 0.0
    offset_ms = (peak - most + between) / FINE_HZ * 1e3
    band = PERIODS * float(np.hypot(1e3 / one.rate_hz, 1e3 / other.rate_hz))
    return MovementMatch(one.node, other.node, at_ns, float(offset_ms), float(min(top, 1.0)), band)


def _on_grid(signal: MovementSignal, at_ns: int, half: int) -> tuple[Floats, Bools]:
    """Size at 2 ``half`` + 1 instants around ``at_ns``, and where it is known.

    The size comes from cubic splines through each stretch without a gap.
    """
    grid_s = np.arange(-half, half + 1) / FINE_HZ
    start, end = at_ns + int(grid_s[0] * 1e9), at_ns + int(grid_s[-1] * 1e9)
    # Three samples more on each side; what lies further off has a gap before it.
    more = math.ceil(6e9 / signal.rate_hz)
    utc_ns, size_g = signal.between(start - more, end + more)
    low, high = np.searchsorted(utc_ns, [start, end])
    part = slice(max(low - 3, 0), high + 3)
    seconds, size = (utc_ns[part] - at_ns) / 1e9, np.asarray(size_g[part], np.float64)
    out, known = np.zeros(len(grid_s)), np.zeros(len(grid_s), bool)
    for piece in np.split(
        np.arange(len(seconds)), np.flatnonzero(np.diff(seconds) > 1.5 / signal.rate_hz) + 1
    ):
        if len(piece) < 4:
            continue
        inside = (grid_s >= seconds[piece[0]]) & (grid_s <= seconds[piece[-1]])
        out[inside] = CubicSpline(seconds[piece], size[piece])(grid_s[inside])
        known |= inside
    return out, known


def masked_correlation(a: Floats, known_a: Bools, b: Floats, known_b: Bools) -> Floats:
    """Pearson's correlation of ``a`` (n,) with each stretch of ``b`` (m,) of its length, (m - n + 1,).

    Only samples that both know count. NaN where these are less than 60 % of ``a``, or where nothing moves.
    """
    ma, mb = known_a.astype(np.float64), known_b.astype(np.float64)
    a, b = a * ma, b * mb

    def slide(x: Floats, y: Floats) -> Floats:
        return np.asarray(correlate(y, x, "valid"))

    n = np.maximum(slide(ma, mb), 1.0)
    sa, sb = slide(a, mb), slide(ma, b)
    va = slide(a * a, mb) / n - (sa / n) ** 2
    vb = slide(ma, b * b) / n - (sb / n) ** 2
    covariance = slide(a, b) / n - sa * sb / n**2
    moving = (va > LEAST_G**2) & (vb > LEAST_G**2) & (n >= 0.6 * len(a))
    scale = np.sqrt(np.where(moving, va * vb, 1.0))
    return np.asarray(np.where(moving, covariance / scale, np.nan))


def matches(signals: Sequence[MovementSignal], at: Sequence[int]) -> list[MovementMatch]:
    """All matches of all pairs of ``signals`` at the given instants."""
    pairs = list(combinations(sorted(signals, key=lambda each: each.node), 2))
    return [
        found for one, other in pairs for ns in sorted(at) if (found := match(one, other, ns)) is not None
    ]


@dataclass(frozen=True)
class Pair:
    """What the movements of two nodes say together: median offset and its 95 % half width, in ms."""

    node: str
    other: str
    moments: int
    offset_ms: float
    uncertainty_ms: float


def pairs_of(found: Sequence[MovementMatch]) -> list[Pair]:
    """Matches by pair of nodes. The spread of several moments counts, and no less than one's own band."""
    out = []
    for one, other in sorted({(each.node, each.other) for each in found}):
        own = [each for each in found if (each.node, each.other) == (one, other)]
        offsets = np.array([each.offset_ms for each in own])
        middle = float(np.median(offsets))
        spread = 1.96 * 1.4826 * float(np.median(np.abs(offsets - middle)))
        band = max(spread, float(np.median([each.uncertainty_ms for each in own]))) / np.sqrt(len(own))
        out.append(Pair(one, other, len(own), middle, float(band)))
    return out


def corrections(pairs: Sequence[Pair], band_ms: dict[str, float]) -> dict[str, float]:
    """What to add to each node's time (ms) so that pairs agree: least squares over all pairs.

    Movements tell differences only. Of three nodes or more the median one is believed, of two the one
    with the narrower band. Nodes within their own band stay as they are.
    """
    nodes = sorted({name for each in pairs for name in (each.node, each.other)})
    if not nodes:
        return {}
    place = {name: at for at, name in enumerate(nodes)}
    rows = np.zeros((len(pairs), len(nodes)))
    for row, each in enumerate(pairs):
        rows[row, place[each.node]], rows[row, place[each.other]] = -1.0, 1.0
    weight = np.array([1 / each.uncertainty_ms for each in pairs])
    late = np.linalg.lstsq(rows * weight[:, None], weight * [each.offset_ms for each in pairs], rcond=None)[0]
    best = min(nodes, key=lambda name: band_ms[name])
    late = late - (np.median(late) if len(nodes) > 2 else late[place[best]])
    noise = max(each.uncertainty_ms for each in pairs)
    return {
        name: -float(late[at]) for name, at in place.items() if abs(late[at]) > np.hypot(band_ms[name], noise)
    }
