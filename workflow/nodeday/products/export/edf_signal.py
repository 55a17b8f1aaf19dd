"""Signals of an EDF+ file: a channel at one of its rates on an even raster, as 16-bit numbers.

A position of the raster without a sample has the digital value -32768, for one of three reasons that the
annotations tell apart. A stream that changed its rate is a signal for each of them::

    sent             360 Hz  360 Hz   lost   360 Hz  180 Hz  180 Hz
    signal of 360    sample  sample  missing sample  another rate     outside the session
    signal of 180    another rate            ......  sample  sample
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import ceil
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from nodeday.config.study import Study
from nodeday.core.arrays import Bools, Ints, runs, spread
from nodeday.core.errors import SettingsError
from nodeday.layouts import Channel, Kind
from nodeday.products.export.raster import REACH, SECOND, RasterSamples, on_raster
from nodeday.storage import samples

NOTHING, LEAST, MOST = -32768, -32767, 32767
"""Digital value of a hole, and the range of samples."""
RECEIVED = ("measured", "recovered")
LABEL, UNIT = 16, 8
"""Characters of a label and of a unit in the format."""
ASCII = str.maketrans({"\N{MICRO SIGN}": "u", "\N{GREEK SMALL LETTER MU}": "u", "\N{DEGREE SIGN}": "deg"})
"""Of units: the format has ASCII only, and writes uV and degC."""


class FileSpan(NamedTuple):
    """Nanoseconds of UTC: the file begins at ``start``, a full second; the session is [first, end)."""

    start: int
    first: int
    end: int

    def length(self, record_s: Fraction) -> Fraction:
        """Return the seconds of the file, a whole number of records."""
        return ceil(Fraction(self.end - self.start, SECOND) / record_s) * record_s


@dataclass(frozen=True)
class SentRate:
    """Frames of a stream at one rate, and when the stream had ``other`` ones: [start, end) in ns."""

    node: str
    kind: Kind
    changing: bool
    other: tuple[Ints, Ints]

    @property
    def rate_hz(self) -> float:
        """The rate that the layout declares."""
        return self.kind.rate_hz or 1.0


@dataclass(frozen=True)
class EdfSignal:
    """A channel on its raster: digital values (n,), and the physical values of -32768 and 32767.

    ``stretches`` are half-open runs of positions by what they are called in annotations. ``counted`` are
    positions by what they hold, and samples that were ``left_out`` or taken ``twice``. ``exact`` is whether
    measured values are the counts as sent.
    """

    label: str
    unit: str
    rate: Fraction
    digital: NDArray[np.int16]
    physical: tuple[float, float]
    exact: bool
    stretches: dict[str, tuple[Ints, Ints]]
    counted: dict[str, int]


def sent_rates(study: Study, session: str) -> Iterator[SentRate]:
    """Yield each rate at which samples of a stream were sent; raise ContractError where there is no table.

    Raises SettingsError where kinds of one rate have several scales.
    """
    for node, first in study.streams_of(session):
        kinds = _rates(study.layout_of(session, node.node).kinds_of(first.stream))
        rows = samples.read(study.results, session, node.node, first, ["utc_ns", "rate_hz"])
        rows = rows.sort_values("utc_ns", kind="stable")
        utc_ns, rate_hz = rows["utc_ns"].to_numpy(np.int64), rows["rate_hz"].to_numpy(np.float64)
        for kind in kinds:
            of_other = rate_hz != (kind.rate_hz or 1.0)
            if not of_other.all():
                begins, ends = runs(of_other)
                period_ns = np.rint(SECOND / rate_hz[ends - 1]).astype(np.int64)
                other = utc_ns[begins], utc_ns[ends - 1] + period_ns
                yield SentRate(node.node, kind, len(kinds) > 1, other)


def _rates(kinds: Sequence[Kind]) -> list[Kind]:
    """The first kind of each rate of a stream: the format has one rate a signal, and one scale.

    Raises SettingsError where kinds of one rate have several scales.
    """
    scales = {(kind.rate_hz, tuple((one.scale, one.offset) for one in kind.channels)) for kind in kinds}
    if len(scales) > len({rate for rate, _ in scales}):
        found = f"stream {kinds[0].stream} has frames of one rate with several scales"
        raise SettingsError(found, "EDF+ file", "one scale, which the format has for each signal")
    return list({kind.rate_hz: kind for kind in reversed(kinds)}.values())[::-1]


def signal_of(
    study: Study, session: str, sent: SentRate, channel: Channel, span: FileSpan, rate: Fraction, count: int
) -> EdfSignal:
    """Return a channel at one rate, on ``count`` positions at ``rate`` from the start of the file."""
    columns = ["utc_ns", "raw", "value", "origin", "rate_hz"]
    rows = samples.read(study.results, session, sent.node, sent.kind, columns, channel=channel.name)
    rows = rows[(rows["rate_hz"] == sent.rate_hz) & (rows["origin"] != "missing")]
    rows = rows.sort_values("utc_ns", kind="stable")
    raster = on_raster(rows["utc_ns"].to_numpy(np.int64), span.start, count, float(rate))
    digital, physical, exact = _digital(rows, raster, channel)
    computed = raster.filled.copy()
    computed[raster.filled] = ~rows["origin"].isin(RECEIVED).to_numpy()[raster.sample[raster.filled]]
    outside, another = _empty(raster.filled, sent, span, rate)
    missing = ~raster.filled & ~outside & ~another
    counted = {
        "measured": int((raster.filled & ~computed).sum()),
        "computed": int(computed.sum()),
        "missing": int(missing.sum()),
        "another_rate": int(another.sum()),
        "outside": int(outside.sum()),
        "left_out": raster.left_out(len(rows)),
        "twice": raster.twice,
    }
    ending = f" {channel.name}" + (f" {sent.rate_hz:g}Hz" if sent.changing else "")
    label = (sent.node[: max(LABEL - len(ending), 1)] + ending)[:LABEL]
    stretches = {"missing": runs(missing), "another rate": runs(another), "computed": runs(computed)}
    return EdfSignal(label, channel.unit, rate, digital, physical, exact, stretches, counted)


def _empty(filled: Bools, sent: SentRate, span: FileSpan, rate: Fraction) -> tuple[Bools, Bools]:
    """Positions (n,) without a sample outside the session, and those while the stream had another rate.

    A sample may lie as far as REACH periods from its position, so both are as much wider.
    """
    reach_ns = round(REACH * SECOND / float(rate))
    at_ns = span.start + np.rint(np.arange(len(filled)) * (SECOND / float(rate))).astype(np.int64)
    outside = ~filled & ((at_ns < span.first + reach_ns) | (at_ns >= span.end - reach_ns))
    begins, ends = np.searchsorted(at_ns, sent.other[0] - reach_ns), np.searchsorted(at_ns, sent.other[1])
    return outside, ~filled & ~outside & spread(begins, ends, len(filled))


def _digital(
    rows: pd.DataFrame, raster: RasterSamples, channel: Channel
) -> tuple[NDArray[np.int16], tuple[float, float], bool]:
    """Digital values of the raster, physical values of both ends of 16 bits, whether counts are as sent.

    Where the counts do not fit into 16 bits, their range is scaled to it.
    """
    received = rows["raw"].dropna().to_numpy(np.int64)
    exact = not len(received) or (received.min() >= LEAST and received.max() <= MOST)
    scale, offset = channel.scale, channel.offset
    if not exact:
        low, high = int(received.min()), int(received.max())
        scale = channel.scale * max(high - low, 1) / (MOST - LEAST)
        offset = channel.offset + channel.scale * low - scale * LEAST
    counts = np.rint((rows["value"].to_numpy(np.float64) - offset) / scale)
    if exact:
        counts = np.where(rows["raw"].notna(), rows["raw"].fillna(0).to_numpy(np.int64), counts)
    counts = np.clip(counts, LEAST, MOST).astype(np.int16)
    digital = np.full(len(raster.sample), NOTHING, np.int16)
    digital[raster.filled] = counts[raster.sample[raster.filled]]
    return digital, (NOTHING * scale + offset, MOST * scale + offset), bool(exact)


def as_edfio(edfio: Any, signal: EdfSignal) -> Any:
    """Return the signal as edfio has it; physical ends are cut to the eight characters of the format."""
    note = "counts as sent" if signal.exact else "counts rescaled"
    return edfio.EdfSignal.from_digital(
        signal.digital,
        signal.rate,
        label=signal.label,
        physical_dimension=signal.unit.translate(ASCII).encode("ascii", "replace").decode()[:UNIT],
        physical_range=tuple(_eight(end) for end in signal.physical),
        digital_range=(NOTHING, MOST),
        transducer_type="body-worn node",
        prefiltering=f"none; {note}; -32768 is no sample",
    )


def _eight(value: float) -> float:
    """The nearest number that eight characters hold."""
    for digits in range(8, -1, -1):
        text = f"{value:.{digits}f}"
        if len(text) <= 8:
            return float(text)
    raise SettingsError(f"a physical range reaches to {value:g}", expected="a number of eight characters")
