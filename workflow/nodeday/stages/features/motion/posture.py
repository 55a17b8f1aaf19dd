"""Which way a node points: elevation of its axes, inclination of the body part, and postures."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nodeday.config.models import Mounting
from nodeday.core.arrays import Bools, Floats, Ints, runs, spread
from nodeday.stages.features.motion.intensity import words_of
from nodeday.stages.features.motion.subwindows import Axes, count, total
from nodeday.stages.features.windows import ratio

FILL_S = 0.1
"""A fill no longer than this may serve orientation and spectra."""
MEDIAN_S, LEAST_OF_MEDIAN = 5, 3
"""Gravity is the median over 5 s of means over 1 s, of which three must be known. The 5 s are of van
Hees et al., from memory; the means are a choice of this project."""
UPRIGHT_DEG, LEVEL_DEG = 30.0, 60.0
"""Up to 30 degrees off its upright a body part is upright, from 60 degrees it is level, between them it
leans. A choice of this project."""
UPRIGHT_PARTS = frozenset(
    {"chest", "sternum", "trunk", "back", "waist", "hip", "pelvis", "thigh", "shank", "ankle"}
)
SIDED_PARTS = frozenset({"chest", "sternum", "trunk", "back", "waist", "hip", "pelvis"})


def fill_samples(rate_hz: float) -> int:
    """Return how many samples a fill may have at most to serve orientation and spectra."""
    return int(FILL_S * rate_hz + 1e-6)


def usable(received: Bools, interpolated: Bools, rate_hz: float, before: int = 0) -> Bools:
    """Return which samples (n,) orientation and spectra may use: received, or in a fill of up to 100 ms.

    ``interpolated`` (before + n + after,) reaches ``before`` samples into the stretch before and some into
    the one after, so that no fill is cut off; ``received`` (n,).
    """
    starts, ends = runs(interpolated)
    short = ends - starts <= fill_samples(rate_hz)
    filled = spread(starts[short], ends[short], len(interpolated))
    return received | filled[before : before + len(received)]


def second_means(axes: Axes, use: Bools, edges: Ints, rate_hz: float) -> Floats:
    """Return the mean acceleration (s, 3) of each second in g; NaN where less than half of it is usable.

    Second i holds the samples [edges[i], edges[i + 1]); those in ``use`` (n,) count.
    """
    samples = count(use, edges)
    means = np.stack([ratio(total(axis, use, edges), samples) for axis in axes], axis=1)
    means[samples < 0.5 * rate_hz] = np.nan
    return means


def gravity_g(means: Floats) -> Floats:
    """Return gravity (s, 3) in each second in g, from the means ``means`` (s, 3); NaN where it is not known.

    The median over 5 s, which does not follow the steps. It may look across an epoch's edge.
    """
    half = MEDIAN_S // 2
    padded = np.pad(means, ((half, half), (0, 0)), constant_values=np.nan)
    around = np.lib.stride_tricks.sliding_window_view(padded, MEDIAN_S, axis=0)
    seconds = np.isfinite(around[:, 0]).sum(axis=1)
    known = np.isfinite(means[:, 0]) & (seconds >= LEAST_OF_MEDIAN)
    gravity = np.full(means.shape, np.nan)
    if known.any():
        ordered, count = np.sort(around[known], axis=2), seconds[known, None, None]  # NaN last
        middle = [np.take_along_axis(ordered, at, axis=2) for at in ((count - 1) // 2, count // 2)]
        gravity[known] = (middle[0] + middle[1])[:, :, 0] / 2
    return gravity


def elevations_deg(gravity: Floats) -> Floats:
    """Return the angle (s, 3) of each axis over the horizontal in degrees; 90 points up, -90 down.

    atan2(a_z, sqrt(a_x^2 + a_y^2)) for z, the others alike; van Hees et al. 2015, from memory.
    """
    square = gravity**2
    rest = np.sqrt(square.sum(axis=1, keepdims=True) - square)
    return np.asarray(np.degrees(np.arctan2(gravity, rest)), np.float64)


def vertical_cosine(gravity: Floats, axis: str) -> Floats:
    """Return the cosine (s,) of the angle between an axis such as ``-y`` and ``gravity`` (s, 3)."""
    sign = -1.0 if axis.startswith("-") else 1.0
    with np.errstate(invalid="ignore", divide="ignore"):
        unit = gravity / np.linalg.norm(gravity, axis=1, keepdims=True)
    return np.asarray(sign * unit[:, "xyz".index(axis[-1])], np.float64)


def inclination_deg(gravity: Floats, up: str) -> Floats:
    """Return the angle (s,) in degrees between the axis that points up when upright and the vertical.

    acos(a_up / |a|) of ``gravity`` (s, 3).
    """
    return np.degrees(np.arccos(np.clip(vertical_cosine(gravity, up), -1, 1)))


def left_axis(up: str, front: str) -> str:
    """Return the axis that points to the wearer's left, up x front in a right-handed frame.

    >>> left_axis("z", "x"), left_axis("y", "z")
    ('y', 'x')
    """

    def unit(axis: str) -> NDArray[np.int64]:
        vector = np.zeros(3, np.int64)
        vector["xyz".index(axis[-1])] = -1 if axis.startswith("-") else 1
        return vector

    left = np.cross(unit(up), unit(front))
    k = int(np.flatnonzero(left)[0])
    return ("-" if left[k] < 0 else "") + "xyz"[k]


def postures(gravity: Floats, placement: str, mounting: Mounting | None) -> dict[str, Bools]:
    """Return the seconds (s,) in which each posture is held, by the name of its feature.

    From ``gravity`` (s, 3). None for a placement whose angle means no posture, such as a wrist, or whose
    mounting the study does not state.
    """
    if mounting is None or not words_of(placement) & UPRIGHT_PARTS:
        return {}
    tilt = inclination_deg(gravity, mounting.up)
    level = tilt >= LEVEL_DEG
    held = {
        "upright_share": tilt < UPRIGHT_DEG,
        "leaning_share": (tilt >= UPRIGHT_DEG) & (tilt < LEVEL_DEG),
        "level_share": level,
    }
    if mounting.front is not None and words_of(placement) & SIDED_PARTS:
        face = vertical_cosine(gravity, mounting.front)
        left = vertical_cosine(gravity, left_axis(mounting.up, mounting.front))
        on_side = np.abs(left) > np.abs(face)
        held |= {
            "face_up_share": level & ~on_side & (face > 0),
            "face_down_share": level & ~on_side & (face <= 0),
            "left_side_share": level & on_side & (left < 0),
            "right_side_share": level & on_side & (left > 0),
        }
    return held


def epoch_means(values: Floats, seconds: int) -> Floats:
    """Return the mean (e,) of each epoch of ``seconds`` over those of its ``values`` (s,) that are known."""
    rows = values.reshape(-1, seconds)
    known = np.isfinite(rows)
    return ratio(np.where(known, rows, 0).sum(axis=1), known.sum(axis=1).astype(np.float64))


def epoch_shares(mask: Bools, known: Bools, seconds: int) -> Floats:
    """Return the share (e,) of the ``known`` seconds (s,) of each epoch that are in ``mask`` (s,)."""
    return epoch_means(np.where(known, mask.astype(np.float64), np.nan), seconds)
