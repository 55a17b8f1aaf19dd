"""What a feature is computed from, and what comes out."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pyarrow as arrow
from numpy.typing import NDArray

from nodeday.config.models import EpochSettings, Node
from nodeday.core.arrays import Bools, Floats, Ints, Singles
from nodeday.layouts import Kind
from nodeday.schemas import codes
from nodeday.stages.features.pieces import INTERPOLATED, MEASURED, RECOVERED, places_of
from nodeday.stages.features.windows import TOO_FEW_BEATS, Windows, coverage, judged
from nodeday.storage.row_groups import Group

RECEIVED = ("measured", "recovered")


def is_ecg(kind: Kind) -> bool:
    """One channel of an ECG in mV."""
    return kind.stream == "ecg" and [channel.unit for channel in kind.channels] == ["mV"]


def is_acceleration(kind: Kind) -> bool:
    """Three axes x, y and z in g."""
    return {(each.name, each.unit) for each in kind.channels} == {("x", "g"), ("y", "g"), ("z", "g")}


@dataclass(frozen=True)
class FeatureValues:
    """One feature of one channel in every epoch: values, coverage and reasons, (count,) each.

    ``bars``, where the feature has error bars for what was lost: the ends of the 95 % interval, the bias
    and, as places in ``codes.LOSS_BAR``, how they were got, (count,) each.
    """

    node: Node
    channel: str
    name: str
    value: Floats
    coverage: Floats
    reason: Ints
    bars: tuple[Floats, Floats, Floats, Ints] | None = None

    def with_bars(self, low: Floats, high: Floats, bias: Floats, how: Ints) -> FeatureValues:
        return replace(self, bars=(low, high, bias, how))


@dataclass(frozen=True)
class Samples:
    """Rows (n,) of a stream: instants, ``origin`` as places in ``codes.ORIGIN``, and the ``values`` of each
    channel by its name, NaN where missing.
    """

    utc_ns: Ints
    origin: NDArray[np.int8]
    values: dict[str, Singles]

    def __len__(self) -> int:
        return len(self.utc_ns)

    @classmethod
    def of(cls, table: arrow.Table, channels: list[str]) -> Samples:
        """From the columns ``utc_ns``, ``origin`` and ``channels`` as they are stored."""
        values = {name: table[name].to_numpy().astype(np.float32, copy=False) for name in channels}
        return cls(table["utc_ns"].to_numpy(), places_of(table["origin"], list(codes.ORIGIN)), values)

    @classmethod
    def joined(cls, parts: Sequence[Samples]) -> Samples:
        """Rows of parts one after the other."""
        if len(parts) == 1:
            return parts[0]
        values = {name: np.concatenate([part.values[name] for part in parts]) for name in parts[0].values}
        utc, origin = (
            np.concatenate([getattr(part, name) for part in parts]) for name in ("utc_ns", "origin")
        )
        return cls(utc, origin, values)

    @property
    def received(self) -> Bools:
        """Which (n,) were measured or recovered."""
        return np.asarray((self.origin == MEASURED) | (self.origin == RECOVERED), np.bool_)

    @property
    def computed(self) -> Bools:
        """Which (n,) a fill replaced."""
        return np.asarray(self.origin == INTERPOLATED, np.bool_)


@dataclass(frozen=True)
class SampleSource:
    """One stream of a node over a session. ``read`` begins anew each time: its rows in order of time within
    each boot, a stretch after the other; ``groups`` tell of rows their first instant before they are read.
    """

    node: Node
    kind: Kind
    groups: Sequence[Group]
    read: Callable[[], Iterable[Samples]]
    windows: Windows
    settings: EpochSettings

    @property
    def rate_hz(self) -> float:
        return self.kind.rate_hz or 1.0

    def heard(self, held: Floats) -> EpochSource:
        """What was heard of it, given how many samples were received in each epoch, (count,)."""
        return EpochSource(self.node, self.kind, self.windows, self.settings, held)


@dataclass(frozen=True)
class EpochSource:
    """What features of a stream are judged by; ``held`` (count,) is how many samples were received in each
    epoch.
    """

    node: Node
    kind: Kind
    windows: Windows
    settings: EpochSettings
    held: Floats

    @property
    def rate_hz(self) -> float:
        return self.kind.rate_hz or 1.0

    @cached_property
    def coverage(self) -> Floats:
        """Share (count,) of the samples that each epoch should hold that were received."""
        return coverage(self.windows, self.held, self.rate_hz)

    def feature(
        self,
        name: str,
        value: Floats,
        enough: Bools | None = None,
        lacking: int | Ints = TOO_FEW_BEATS,
        channel: str | None = None,
    ) -> FeatureValues:
        """``value`` (count,) as a feature: null with a reason where coverage falls short, and with
        the reason ``lacking`` where it is not ``enough``.
        """
        kept, reason = judged(value, self.coverage, self.settings.min_coverage, enough, lacking)
        return FeatureValues(self.node, channel or self.kind.stream, name, kept, self.coverage, reason)
