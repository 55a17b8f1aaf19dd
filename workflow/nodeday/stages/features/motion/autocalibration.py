"""Offsets and gains of an accelerometer from its own record: at rest it measures 1 g.

After van Hees et al. 2014 (doi 10.1152/japplphysiol.00421.2014; its abstract was read, constants are
from memory): still windows of 10 s lie on a sphere of radius 1 g once offset and gain are right. The
paper moves each point to the closest one of the sphere and fits again until nothing changes; the same
distance is minimised here in one go by least squares.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.optimize import least_squares

from nodeday.core.arrays import Bools, Floats
from nodeday.stages.features.motion.blocks import EpochBlock
from nodeday.stages.features.motion.subwindows import count, sub_windows, total
from nodeday.stages.features.windows import ratio

WINDOW_S, STILL_G, REACH_G, ACCEPT_MG = 10.0, 0.013, 0.3, 10.0
LEAST_STILL, NEAR_1_G, LEAST_SPAN_C, OUTLIER_G = 30, 0.3, 2.0, 0.01
"""Five minutes of stillness; a still window further from 1 g is no gravity; temperature counts only
where it varied by so much; residuals beyond 10 mg weigh less. Choices of this project."""

Refusal = Literal["few_still", "sphere_not_covered", "residual_too_large"]


@dataclass(frozen=True)
class Coefficients:
    """Calibration of each axis, (3,) each.

    corrected = (raw - offset_g - slope_g_per_c * (temperature - temperature_c)) / gain.
    """

    offset_g: Floats
    gain: Floats
    slope_g_per_c: Floats | None = None
    temperature_c: float | None = None

    def corrected(self, raw_g: Floats, temperature: Floats | None = None) -> Floats:
        """Return the calibrated acceleration (n, 3) in g; ``temperature`` (n,) in degC for the slope."""
        drift: Floats | float = 0.0
        if self.slope_g_per_c is not None and temperature is not None:
            drift = np.outer(temperature - (self.temperature_c or 0.0), self.slope_g_per_c)
        return np.asarray((raw_g - self.offset_g - drift) / self.gain, np.float64)


NONE = Coefficients(np.zeros(3), np.ones(3))


def still_points(block: EpochBlock, share: float) -> tuple[Floats, Bools]:
    """Return the mean acceleration (m, 3) of the windows in which no axis moved, and which they are (k,).

    ``block`` holds received samples alone. A window needs ``share`` of its samples received.
    """
    windows = sub_windows(block.windows, WINDOW_S)
    edges = windows.edges_among(block.utc_ns)
    received = count(block.received, edges)
    still = received >= np.maximum(share * windows.seconds * block.rate_hz, 2)
    means = np.empty((len(received), 3))
    for k, axis in enumerate(block.axes):
        means[:, k] = ratio(total(axis, block.received, edges), received)
        square = (axis - np.repeat(means[:, k], np.diff(edges))) ** 2
        spread = np.sqrt(ratio(total(square, block.received, edges), np.maximum(received - 1, 0)))
        still &= spread < STILL_G
    still &= np.abs(np.linalg.norm(np.nan_to_num(means), axis=1) - 1) < NEAR_1_G
    return means[still], still


def residual_mg(points_g: Floats) -> float:
    """Return the mean distance of still points (m, 3) from 1 g, in mg; NaN without any. Less is better."""
    off = np.abs(np.linalg.norm(points_g, axis=1) - 1)
    return float(1000 * off.mean()) if len(points_g) else float("nan")


def sides_reached(points_g: Floats) -> int:
    """Return how many of the six sides, two of each axis, a still point of (m, 3) reaches by 0.3 g."""
    return int(np.sum((points_g > REACH_G).any(axis=0)) + np.sum((points_g < -REACH_G).any(axis=0)))


def fit(points_g: Floats, temperature: Floats | None = None) -> Coefficients:
    """Return the coefficients that bring still points (m, 3) closest to the sphere of 1 g.

    With the ``temperature`` (m,) in degC of each point, a slope too, if all are known and vary enough.
    """
    known = np.isfinite(temperature) if temperature is not None else np.zeros(len(points_g), np.bool_)
    warm = temperature is not None and len(known) > 0 and bool(known.all())
    if warm and temperature is not None and np.ptp(temperature) >= LEAST_SPAN_C:
        middle = float(temperature.mean())
        drift = temperature - middle
    else:
        middle, drift = 0.0, np.zeros(0)
    slopes = 3 if len(drift) else 0

    def off_sphere(p: Floats) -> Floats:
        moved = points_g - p[:3] - (np.outer(drift, p[6:]) if slopes else 0.0)
        return np.asarray(np.linalg.norm(moved / p[3:6], axis=1) - 1, np.float64)

    start = np.concatenate([np.zeros(3), np.ones(3), np.zeros(slopes)])
    p = least_squares(off_sphere, start, loss="soft_l1", f_scale=OUTLIER_G).x
    return Coefficients(p[:3], p[3:6], p[6:], middle) if slopes else Coefficients(p[:3], p[3:6])


def autocalibrated(points_g: Floats, temperature: Floats | None = None) -> Coefficients | Refusal:
    """Return the coefficients from still points (m, 3), or why there are none.

    ``temperature`` (m,) in degC of each point, NaN where not known.
    """
    if len(points_g) < LEAST_STILL:
        return "few_still"
    if sides_reached(points_g) < 6:
        return "sphere_not_covered"
    fitted = fit(points_g, temperature)
    after = residual_mg(fitted.corrected(points_g, temperature))
    if after >= ACCEPT_MG or after > residual_mg(points_g) or (fitted.gain <= 0).any():
        return "residual_too_large"
    return fitted
