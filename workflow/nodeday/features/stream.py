"""What a feature is computed from, and what comes out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from nodeday.arrays import Bools, Floats, Ints
from nodeday.features.windows import TOO_FEW_BEATS, Windows, coverage, judged
from nodeday.layouts import Kind
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
class Stream:
    """One stream of a node over a session: its n rows of table ``samples``."""

    node: Node
    kind: Kind
    rows: pd.DataFrame
    windows: Windows
    settings: Epochs

    @property
    def rate_hz(self) -> float:
        return self.kind.rate_hz or 1.0

    @cached_property
    def utc_ns(self) -> Ints:
        """Instants of the samples, (n,)."""
        return self.rows["utc_ns"].to_numpy(np.int64)

    @cached_property
    def received(self) -> Bools:
        """Which samples (n,) were measured or recovered."""
        return self.rows["origin"].isin(RECEIVED).to_numpy(np.bool_)

    @cached_property
    def coverage(self) -> Floats:
        """Share (count,) of the samples that each epoch should hold that were received."""
        return coverage(self.windows, self.utc_ns[self.received], self.rate_hz)

    def without_samples(self) -> Stream:
        """The same stream without its rows, which are large."""
        return replace(self, rows=self.rows.iloc[:0].copy())  # a view would keep them all

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
