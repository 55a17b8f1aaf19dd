"""What a feature is computed from, and what comes out."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import pyarrow as arrow
from numpy.typing import NDArray

from nodeday.arrays import Bools, Floats, Ints, Singles
from nodeday.features.pieces import INTERPOLATED, MEASURED, RECOVERED, places_of
from nodeday.features.windows import AT_ONCE, TOO_FEW_BEATS, Windows, coverage, judged
from nodeday.layouts import Kind
from nodeday.schemas import codes
from nodeday.sections import Epochs, Node

RECEIVED = ("measured", "recovered")


def is_ecg(kind: Kind) -> bool:
    """One channel of an ECG in mV."""
    return kind.stream == "ecg" and [channel.unit for channel in kind.channels] == ["mV"]


def is_acceleration(kind: Kind) -> bool:
    """Three axes x, y and z in g."""
    return {(each.name, each.unit) for each in kind.channels} == {("x", "g"), ("y", "g"), ("z", "g")}


@dataclass(frozen=True)
class Feature:
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

    def with_bars(self, low: Floats, high: Floats, bias: Floats, how: Ints) -> Feature:
        return replace(self, bars=(low, high, bias, how))


@dataclass(frozen=True)
class Samples:
    """A stream's rows of table ``samples`` (n,) in their order: instants, ``origin`` as places in
    ``codes.ORIGIN``, and the ``values`` of each channel by its name, NaN where missing."""

    utc_ns: Ints
    origin: NDArray[np.int8]
    values: dict[str, Singles]

    @classmethod
    def joined(cls, stored: Iterable[arrow.Table], channels: list[str], expected: int = 0) -> Samples:
        """From the columns ``utc_ns``, ``origin`` and ``channels`` of stretches of rows, of which about so
        many are ``expected``; what was stored is let go of at once."""
        kinds: dict[str, Any] = {"utc_ns": np.int64, "origin": np.int8, **dict.fromkeys(channels, np.float32)}
        columns = {name: np.empty(expected, kind) for name, kind in kinds.items()}
        n = 0
        for table in stored:
            end = n + len(table)
            for name, kind in kinds.items():
                if end > len(columns[name]):
                    columns[name] = np.concatenate([columns[name], np.empty(end, kind)])
                own = table[name]
                value = places_of(own, list(codes.ORIGIN)) if name == "origin" else own.to_numpy()
                columns[name][n:end] = value
            n = end
        columns = {name: column[:n] for name, column in columns.items()}
        return cls(columns.pop("utc_ns"), columns.pop("origin"), columns)


@dataclass(frozen=True)
class Stream:
    """One stream of a node over a session, its ``samples`` (n,)."""

    node: Node
    kind: Kind
    samples: Samples
    windows: Windows
    settings: Epochs

    @property
    def rate_hz(self) -> float:
        return self.kind.rate_hz or 1.0

    @property
    def utc_ns(self) -> Ints:
        """Instants of the samples, (n,)."""
        return self.samples.utc_ns

    @cached_property
    def received(self) -> Bools:
        """Which samples (n,) were measured or recovered."""
        origin = self.samples.origin
        return np.asarray((origin == MEASURED) | (origin == RECOVERED), np.bool_)

    @property
    def computed(self) -> Bools:
        """Which samples (n,) a fill replaced."""
        return np.asarray(self.samples.origin == INTERPOLATED, np.bool_)

    @cached_property
    def held(self) -> Floats:
        """How many samples were received in each epoch, (count,)."""
        held = np.zeros(self.windows.count)
        for start in range(0, len(self.utc_ns), AT_ONCE):
            own = slice(start, start + AT_ONCE)
            held += self.windows.sums(self.utc_ns[own][self.received[own]])
        return held

    @cached_property
    def coverage(self) -> Floats:
        """Share (count,) of the samples that each epoch should hold that were received."""
        return coverage(self.windows, self.held, self.rate_hz)

    def without_samples(self) -> Stream:
        """The same stream without its samples, which are large."""
        return replace(self, samples=Samples.joined([], []))

    def feature(
        self,
        name: str,
        value: Floats,
        enough: Bools | None = None,
        lacking: int | Ints = TOO_FEW_BEATS,
        channel: str | None = None,
    ) -> Feature:
        """``value`` (count,) as a feature: null with a reason where coverage falls short, and with
        the reason ``lacking`` where it is not ``enough``."""
        kept, reason = judged(value, self.coverage, self.settings.min_coverage, enough, lacking)
        return Feature(self.node, channel or self.kind.stream, name, kept, self.coverage, reason)
