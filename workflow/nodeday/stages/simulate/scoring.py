"""Agreement of tables with the truth: lost frames, beats and heart rates."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from nodeday.core.arrays import Bools, Ints
from nodeday.layouts import Kind
from nodeday.stages.simulate.truth import StreamTruth, Truth

BEATS = frozenset("NLRBAaJSVrFejnE/fQ?")
"""Annotation symbols of the WFDB standard that mark a beat."""
TOLERANCE_NS = 150_000_000
"""Greatest distance of a detected beat from its label, as is usual for the MIT-BIH records."""


def only_beats(samples: Sequence[int] | Ints, symbols: Sequence[str]) -> Ints:
    """Return the numbers (b,) of the samples whose symbol marks a beat."""
    return np.array([at for at, symbol in zip(samples, symbols, strict=True) if symbol in BEATS], np.int64)


def sample_instants(stream: StreamTruth, kind: Kind, numbers: Ints) -> tuple[Ints, Bools]:
    """Return the true UTC (m,) of samples by their number, and whether their frame was received (m,).

    ``stream`` must be of one boot, as a replayed recording is. Numbers outside of what was sent are
    left out, so that m may be less than the length of ``numbers``.
    """
    numbers = numbers[(numbers >= 0) & (numbers < len(stream.seq) * kind.samples)]
    stamped = stream.seq * kind.samples + (kind.samples - 1 if kind.stamp == "last" else 0)
    base = int(stream.utc_ns[0])
    since = np.interp(numbers, stamped, stream.utc_ns - base)
    # Before the first and after the last stamp the nominal rate is exact to well below 1 us.
    step = 1e9 / (kind.rate_hz or 1.0)
    outside = np.minimum(numbers - stamped[0], 0) + np.maximum(numbers - stamped[-1], 0)
    at = base + np.rint(since + outside * step).astype(np.int64)
    return at, stream.received[numbers // kind.samples]


def match_beats(labels: Ints, detected: Ints) -> Bools:
    """Return which labels (n,) have a detected beat within 150 ms, one to one.

    A label and a beat form a pair if each is the nearest to the other. Both arrays rise, in ns.
    """
    if not len(labels) or not len(detected):
        return np.zeros(len(labels), bool)
    to_detected, to_label = _nearest(labels, detected), _nearest(detected, labels)
    mutual = to_label[to_detected] == np.arange(len(labels))
    return np.asarray(mutual & (np.abs(detected[to_detected] - labels) <= TOLERANCE_NS), np.bool_)


def _nearest(of: Ints, among: Ints) -> Ints:
    right = np.clip(np.searchsorted(among, of), 1, max(len(among) - 1, 1))
    if len(among) == 1:
        return np.zeros(len(of), np.int64)
    return np.where(of - among[right - 1] <= among[right] - of, right - 1, right).astype(np.int64)


def beats(labels: Ints, arrived: Bools, detected: Ints) -> str:
    """Return sensitivity TP / (TP + FN) and positive predictive value TP / (TP + FP) as a line of text.

    ``arrived`` (n,) marks labels that lie on received samples; sensitivity is given for all labels
    and for these alone.
    """
    hit = match_beats(labels, detected)
    everything = _percent(int(hit.sum()), len(labels))
    on_received = _percent(int(hit[arrived].sum()), int(arrived.sum()))
    precision = _percent(int(hit.sum()), len(detected))
    return (
        f"beats: {len(labels)} labels, sensitivity {everything} ({on_received} of those received), "
        f"positive predictive value {precision}, at 150 ms one to one"
    )


def heart_rates(labels: Ints, epochs: pd.DataFrame) -> str:
    """Return the mean absolute error of heart rates against the labels, as a line of text.

    ``epochs`` are rows of heart_rate_bpm. The true rate of an epoch is 60 s over the mean interval
    between the labels inside it.
    """
    known = epochs[epochs["value"].notna()]
    start, end = known["start_ns"].to_numpy(np.int64), known["end_ns"].to_numpy(np.int64)
    first, stop = np.searchsorted(labels, start), np.searchsorted(labels, end)
    fit = stop - first >= 2
    if not fit.any():
        return f"heart rate: none of {len(epochs)} epochs can be compared"
    span = (labels[stop[fit] - 1] - labels[first[fit]]) / 1e9
    expected = 60.0 * (stop[fit] - first[fit] - 1) / span
    error = np.abs(known["value"].to_numpy(np.float64)[fit] - expected)
    return (
        f"heart rate: mean absolute error {error.mean():.2f} bpm, worst {error.max():.2f} bpm, "
        f"over {int(fit.sum())} of {len(epochs)} epochs"
    )


def losses(truth: Truth, gaps: pd.DataFrame) -> str:
    """Return a line of text: frames that table ``gaps`` reports lost, against those truly lost."""
    lost: set[tuple[str, int, int]] = set()
    total = 0
    for key, stream in truth.streams.items():
        total += len(stream.seq)
        for boot, first, stop in stream.lost_runs():
            lost |= {(key, boot, seq) for seq in range(first, stop)}
    reported: set[tuple[str, int, int]] = set()
    known = gaps[gaps["extent"] == "known"]
    edges = [known[name].to_numpy(np.int64).tolist() for name in ("boot", "seq_from", "seq_to")]
    keys = known["node"].astype(str) + "/" + known["stream"].astype(str)
    for key, boot, first, stop in zip(keys, *edges, strict=True):
        reported |= {(key, boot, seq) for seq in range(first, stop)}
    return (
        f"frames: {total} sent, {len(lost)} lost between received ones, {len(reported)} reported lost, "
        f"{len(lost & reported)} of them the same"
    )


def _percent(part: int, total: int) -> str:
    return f"{100 * part / total:.2f} %" if total else "none"
