"""The calibration of an accelerometer: the bench's, else its own record's, else none."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from nodeday.config.device_records import Calibration
from nodeday.core.arrays import Floats, Ints
from nodeday.stages.features.motion import autocalibration as auto
from nodeday.stages.features.motion.blocks import EpochBlock
from nodeday.stages.features.motion.subwindows import sub_windows
from nodeday.stages.features.windows import Windows, ratio


@dataclass(frozen=True)
class NodeCalibration:
    """A node's calibration and how well it fits the session's own still windows.

    ``method`` and ``note`` are codes of table ``calibration``; ``still`` counts the still windows, ``sides``
    the sides of the sphere that they reach; residuals in mg are NaN where the session held no still window.
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


def choose_calibration(
    blocks: Iterable[EpochBlock],
    windows: Windows,
    share: float,
    bench: Calibration | None,
    temperature: Temperature | None,
) -> NodeCalibration:
    """Return the calibration of a node, from its ``blocks`` as received, which fill ``windows`` once or more.

    Six-position coefficients where the ``bench`` gave any, else autocalibration where the session covers the
    sphere, else none, with the reason. A still window needs ``share`` of its samples received.
    """
    still = [auto.still_points(block.received_only, share) for block in blocks]
    points, which = (np.concatenate(part) for part in zip(*still, strict=True))
    edges_ns = sub_windows(windows, auto.WINDOW_S).edges_ns
    warmth = None if temperature is None else np.resize(_means(temperature, edges_ns), len(which))[which]
    before, sides = auto.residual_mg(points), auto.sides_reached(points)
    if bench is not None:
        of_bench = auto.Coefficients(np.array(bench.offset_g), np.array(bench.gain))
        after = auto.residual_mg(of_bench.corrected(points))
        note = "worse_than_raw" if after > before else None
        return NodeCalibration(
            "six_position", note, bench.source, of_bench, len(points), sides, before, after
        )
    fitted = auto.autocalibrated(points, warmth)
    if isinstance(fitted, str):
        return NodeCalibration("none", fitted, "", auto.NONE, len(points), sides, before, before)
    after = auto.residual_mg(fitted.corrected(points, warmth))
    return NodeCalibration("autocalibration", None, "", fitted, len(points), sides, before, after)


def calibrated(
    block: EpochBlock, calibration: NodeCalibration, temperature: Temperature | None
) -> EpochBlock:
    """Return ``block`` with its axes calibrated, in double precision."""
    coefficients = calibration.coefficients
    if calibration.method == "none":
        return replace(block, axes=[axis.astype(np.float64) for axis in block.axes])
    drift = None
    if coefficients.slope_g_per_c is not None and temperature is not None:
        drift = np.interp(block.utc_ns, *temperature) - (coefficients.temperature_c or 0.0)
    axes = []
    for k, raw in enumerate(block.axes):
        axis = raw - np.float32(coefficients.offset_g[k])
        if drift is not None and coefficients.slope_g_per_c is not None:
            axis -= (coefficients.slope_g_per_c[k] * drift).astype(np.float32)
        axis /= np.float32(coefficients.gain[k])
        axes.append(axis.astype(np.float64))
    return replace(block, axes=axes)


def _means(temperature: Temperature, edges_ns: Ints) -> Floats:
    """Return the mean temperature (k,) of each window between ``edges_ns`` (k + 1,).

    Between samples by a straight line, NaN outside of them.
    """
    utc, value = temperature
    middle = edges_ns[:-1] + np.diff(edges_ns) // 2
    edges = np.searchsorted(utc, edges_ns)
    sums = np.concatenate([[0.0], np.cumsum(value)])
    mean = ratio(np.diff(sums[edges]), np.diff(edges).astype(np.float64))
    between = np.interp(middle, utc, value, left=np.nan, right=np.nan)
    return np.where(np.isfinite(mean), mean, between)
