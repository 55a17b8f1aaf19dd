"""Streams that features are computed from, and the values of a feature."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial

import numpy as np
import pyarrow as arrow
from numpy.typing import NDArray

from nodeday.config.models import EpochSettings, Node
from nodeday.core.arrays import Bools, Floats, Ints, Singles
from nodeday.layouts import Kind
from nodeday.schemas import codes
from nodeday.stages.features.pieces import MEASURED, MISSING, RECOVERED, code_indices
from nodeday.stages.features.windows import TOO_FEW_BEATS, Windows, coverage, values_or_reasons
from nodeday.storage.row_groups import Group

RECEIVED = ("measured", "recovered")


@dataclass(frozen=True)
class FeatureValues:
    """Values of one feature of one channel in every epoch, with coverage and reasons, (count,) each.

    ``bars``, where the feature has error bars for what was lost: both ends of the 95 % interval, the bias
    and, as an index into ``codes.LOSS_BAR``, how they were computed, (count,) each.
    """

    node: Node
    channel: str
    name: str
    value: Floats
    coverage: Floats
    reason: Ints
    bars: tuple[Floats, Floats, Floats, Ints] | None = None

    def with_bars(self, low: Floats, high: Floats, bias: Floats, how: Ints) -> FeatureValues:
        """Return these values with error bars, (count,) each."""
        return replace(self, bars=(low, high, bias, how))


@dataclass(frozen=True)
class Samples:
    """Samples (n,) of a stream.

    Instants, ``origin`` as indices into ``codes.ORIGIN``, and the ``values`` of each channel by its name, NaN
    where missing; where the stream has several rates, that of each sample.
    """

    utc_ns: Ints
    origin: NDArray[np.int8]
    values: dict[str, Singles]
    rate_hz: Floats | None = None

    def __len__(self) -> int:
        return len(self.utc_ns)

    @classmethod
    def of(cls, table: arrow.Table, channels: list[str]) -> Samples:
        """Take samples from the columns ``utc_ns``, ``origin`` and ``channels`` as they are stored."""
        values = {name: table[name].to_numpy().astype(np.float32, copy=False) for name in channels}
        rate = table["rate_hz"].to_numpy() if "rate_hz" in table.column_names else None
        origin = code_indices(table["origin"], list(codes.ORIGIN))
        return cls(table["utc_ns"].to_numpy(), origin, values, rate)

    @classmethod
    def joined(cls, parts: Sequence[Samples]) -> Samples:
        """Return the samples of ``parts`` one after the other."""
        if len(parts) == 1:
            return parts[0]
        values = {name: np.concatenate([part.values[name] for part in parts]) for name in parts[0].values}
        utc, origin = (
            np.concatenate([getattr(part, name) for part in parts]) for name in ("utc_ns", "origin")
        )
        rates = [part.rate_hz for part in parts if part.rate_hz is not None]
        return cls(utc, origin, values, np.concatenate(rates) if rates else None)

    def at_rate(self, rate_hz: float) -> Samples:
        """Return the samples with all of them missing that another rate took."""
        if self.rate_hz is None:
            return self
        origin = np.where(self.rate_hz == rate_hz, self.origin, np.int8(MISSING))
        return Samples(self.utc_ns, origin, self.values, self.rate_hz)

    @property
    def received(self) -> Bools:
        """Mask (n,) of the samples that were measured or recovered."""
        return np.asarray((self.origin == MEASURED) | (self.origin == RECOVERED), np.bool_)


@dataclass(frozen=True)
class SampleSource:
    """One stream of a node over a session, read piece by piece.

    ``read`` begins anew each time and yields the samples a stretch after the other, in order of time within
    each boot; ``groups`` give the first instant of groups of rows before these are read.
    """

    node: Node
    kind: Kind
    groups: Sequence[Group]
    read: Callable[[], Iterable[Samples]]
    windows: Windows
    settings: EpochSettings
    rates: tuple[float, ...] = ()

    @property
    def rate_hz(self) -> float:
        """Samples per second, of the first kind where the stream has several ``rates``."""
        return self.kind.rate_hz or 1.0

    def by_rate(self) -> list[SampleSource]:
        """Return the stream once for each of its rates, as though nothing else had been received."""
        if len(self.rates) < 2:
            return [self]

        def read(rate_hz: float) -> Iterator[Samples]:
            return (part.at_rate(rate_hz) for part in self.read())

        def alone(rate_hz: float) -> SampleSource:
            kind = self.kind.model_copy(update={"rate_hz": rate_hz})
            return replace(self, kind=kind, read=partial(read, rate_hz), rates=())

        return [alone(rate_hz) for rate_hz in self.rates]

    def epochs(self, received: Floats) -> EpochSource:
        """Return the stream by epochs, given how many samples were ``received`` in each, (count,)."""
        return EpochSource(self.node, self.kind, self.windows, self.settings, received)


@dataclass(frozen=True)
class EpochSource:
    """A stream by epochs, whose coverage decides whether a feature has a value.

    ``received`` (count,) is how many samples were received in each epoch.
    """

    node: Node
    kind: Kind
    windows: Windows
    settings: EpochSettings
    received: Floats

    @property
    def rate_hz(self) -> float:
        """Samples per second."""
        return self.kind.rate_hz or 1.0

    @cached_property
    def coverage(self) -> Floats:
        """Share (count,) of the due samples of each epoch that were received."""
        return coverage(self.windows, self.received, self.rate_hz)

    def feature(
        self,
        name: str,
        value: Floats,
        enough: Bools | None = None,
        lacking: int | Ints = TOO_FEW_BEATS,
        channel: str | None = None,
    ) -> FeatureValues:
        """Return ``value`` (count,) as a feature, null with a reason where it is not valid.

        Not valid where coverage falls short, nor, with the reason ``lacking``, where it is not ``enough``
        (count,). Without a ``channel`` the feature is of the stream.
        """
        kept, reason = values_or_reasons(value, self.coverage, self.settings.min_coverage, enough, lacking)
        return FeatureValues(self.node, channel or self.kind.stream, name, kept, self.coverage, reason)
