"""Which calibration an accelerometer gets: the bench's, else its own record's, else none."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from nodeday.config.device_records import Calibration
from nodeday.core.arrays import Floats, Ints
from nodeday.stages.features.motion import autocalibration as auto
from nodeday.stages.features.motion.blocks import EpochBlock
from nodeday.stages.features.motion.subwindows import ruler
from nodeday.stages.features.windows import Windows, ratio


@dataclass(frozen=True)
class Chosen:
    """A node's calibration and how well it fits the session's own still windows.

    ``method`` and ``note`` are codes of table ``calibration``; residuals in mg are NaN where the
    session held no still window.
    """

    method: str
    note: str | None
    source: str
    coefficients: auto.Coefficients
    still: int
    sides: int
    before_mg: float
    after_mg: float


Temperature = tuple[Ints, Floats]
"""Instants (t,) and degC (t,) of received samples of the node's own thermometer."""


def choose(
    blocks: Iterable[EpochBlock],
    windows: Windows,
    share: float,
    bench: Calibration | None,
    temperature: Temperature | None,
) -> Chosen:
    """Six-position coefficients where the bench gave any, else autocalibration where the session covers
    the sphere, else none, with the reason; ``blocks`` are as received and fill ``windows``.
    """
    still = [auto.still_points(block.heard, share) for block in blocks]
    points, which = (np.concatenate(part) for part in zip(*still, strict=True))
    edges_ns = ruler(windows, auto.WINDOW_S).edges_ns
    warmth = None if temperature is None else _means(temperature, edges_ns)[which]
    before, sides = auto.residual_mg(points), auto.sides_reached(points)
    if bench is not None:
        found = auto.Coefficients(np.array(bench.offset_g), np.array(bench.gain))
        after = auto.residual_mg(found.corrected(points))
        note = "worse_than_raw" if after > before else None
        return Chosen("six_position", note, bench.source, found, len(points), sides, before, after)
    own = auto.autocalibrated(points, warmth)
    if isinstance(own, str):
        return Chosen("none", own, "", auto.NONE, len(points), sides, before, before)
    after = auto.residual_mg(own.corrected(points, warmth))
    return Chosen("autocalibration", None, "", own, len(points), sides, before, after)


def calibrated(block: EpochBlock, chosen: Chosen, temperature: Temperature | None) -> EpochBlock:
    """The same samples with their axes calibrated."""
    own = chosen.coefficients
    if chosen.method == "none":
        return replace(block, axes=[axis.astype(np.float64) for axis in block.axes])
    drift = None
    if own.slope_g_per_c is not None and temperature is not None:
        drift = np.interp(block.utc_ns, *temperature) - (own.temperature_c or 0.0)
    out = []
    for k, raw in enumerate(block.axes):
        axis = raw - np.float32(own.offset_g[k])
        if drift is not None and own.slope_g_per_c is not None:
            axis -= (own.slope_g_per_c[k] * drift).astype(np.float32)
        axis /= np.float32(own.gain[k])
        out.append(axis.astype(np.float64))
    return replace(block, axes=out)


def _means(temperature: Temperature, edges_ns: Ints) -> Floats:
    """Mean temperature of each window; between samples by a straight line, NaN outside of them."""
    utc, value = temperature
    middle = edges_ns[:-1] + np.diff(edges_ns) // 2
    at = np.searchsorted(utc, edges_ns)
    sums = np.concatenate([[0.0], np.cumsum(value)])
    mean = ratio(np.diff(sums[at]), np.diff(at).astype(np.float64))
    between = np.interp(middle, utc, value, left=np.nan, right=np.nan)
    return np.where(np.isfinite(mean), mean, between)
