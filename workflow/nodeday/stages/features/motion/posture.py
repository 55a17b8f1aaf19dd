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
"""Gravity is the median over 5 s of means over 1 s, of which three must be there. The 5 s are of van
Hees et al., from memory; the means are a choice of this project."""
UPRIGHT_DEG, LEVEL_DEG = 30.0, 60.0
"""Up to 30 degrees off its upright a body part is upright, from 60 degrees it is level, between them it
leans. A choice of this project."""
UPRIGHT_PARTS = frozenset(
    {"chest", "sternum", "trunk", "back", "waist", "hip", "pelvis", "thigh", "shank", "ankle"}
)
SIDED_PARTS = frozenset({"chest", "sternum", "trunk", "back", "waist", "hip", "pelvis"})


def fill_samples(rate_hz: float) -> int:
    """How many samples a fill may have that serves orientation and spectra."""
    return int(FILL_S * rate_hz + 1e-6)


def usable(received: Bools, interpolated: Bools, rate_hz: float, before: int = 0) -> Bools:
    """Samples (n,) that orientation and spectra may use: received, or in a fill of up to 100 ms. Of those
    ``interpolated``, ``before`` and others after belong to the neighbours, so that no fill is cut off.
    """
    starts, ends = runs(interpolated)
    short = ends - starts <= fill_samples(rate_hz)
    filled = spread(starts[short], ends[short], len(interpolated))
    return received | filled[before : before + len(received)]


def second_means(axes: Axes, ok: Bools, places: Ints, rate_hz: float) -> Floats:
    """Mean acceleration (s, 3) of each second, g, between ``places`` (s + 1,); NaN where less than half of it
    is there.
    """
    held = count(ok, places)
    means = np.stack([ratio(total(axis, ok, places), held) for axis in axes], axis=1)
    means[held < 0.5 * rate_hz] = np.nan
    return means


def gravity_g(means: Floats) -> Floats:
    """Direction of gravity (s, 3) in each second, g, from its ``means`` (s, 3); NaN where there are none.

    What is slower than 5 s: a median does not follow the steps. It may look across an epoch's edge.
    """
    half = MEDIAN_S // 2
    padded = np.pad(means, ((half, half), (0, 0)), constant_values=np.nan)
    around = np.lib.stride_tricks.sliding_window_view(padded, MEDIAN_S, axis=0)
    there = np.isfinite(around[:, 0]).sum(axis=1)
    told = np.isfinite(means[:, 0]) & (there >= LEAST_OF_MEDIAN)
    out = np.full(means.shape, np.nan)
    if told.any():
        ordered, count = np.sort(around[told], axis=2), there[told, None, None]  # NaN last
        middle = [np.take_along_axis(ordered, at, axis=2) for at in ((count - 1) // 2, count // 2)]
        out[told] = (middle[0] + middle[1])[:, :, 0] / 2
    return out


def elevations_deg(gravity: Floats) -> Floats:
    """Angle (s, 3) of each axis over the horizontal: atan2(a_z, sqrt(a_x^2 + a_y^2)) for z, and alike.

    van Hees et al. 2015, from memory. 90 points up, -90 down.
    """
    square = gravity**2
    rest = np.sqrt(square.sum(axis=1, keepdims=True) - square)
    return np.asarray(np.degrees(np.arctan2(gravity, rest)), np.float64)


def along(gravity: Floats, axis: str) -> Floats:
    """Cosine (s,) between an axis such as ``-y`` and the vertical."""
    sign = -1.0 if axis.startswith("-") else 1.0
    with np.errstate(invalid="ignore", divide="ignore"):
        unit = gravity / np.linalg.norm(gravity, axis=1, keepdims=True)
    return np.asarray(sign * unit[:, "xyz".index(axis[-1])], np.float64)


def inclination_deg(gravity: Floats, up: str) -> Floats:
    """Angle (s,) between the axis that points up when upright and the vertical: acos(a_up / |a|)."""
    return np.degrees(np.arccos(np.clip(along(gravity, up), -1, 1)))


def left_of(up: str, front: str) -> str:
    """The axis to the wearer's left, up x front in a right-handed frame.

    >>> left_of("z", "x"), left_of("y", "z")
    ('y', 'x')
    """

    def unit(axis: str) -> NDArray[np.int64]:
        out = np.zeros(3, np.int64)
        out["xyz".index(axis[-1])] = -1 if axis.startswith("-") else 1
        return out

    left = np.cross(unit(up), unit(front))
    k = int(np.flatnonzero(left)[0])
    return ("-" if left[k] < 0 else "") + "xyz"[k]


def postures(gravity: Floats, placement: str, mounting: Mounting | None) -> dict[str, Bools]:
    """Where (s,) each posture is held, by the name of its feature; none for a placement whose angle
    says nothing of posture, such as a wrist, or whose mounting the study does not state.
    """
    if mounting is None or not words_of(placement) & UPRIGHT_PARTS:
        return {}
    tilt = inclination_deg(gravity, mounting.up)
    level = tilt >= LEVEL_DEG
    found = {
        "upright_share": tilt < UPRIGHT_DEG,
        "leaning_share": (tilt >= UPRIGHT_DEG) & (tilt < LEVEL_DEG),
        "level_share": level,
    }
    if mounting.front is not None and words_of(placement) & SIDED_PARTS:
        face, left = along(gravity, mounting.front), along(gravity, left_of(mounting.up, mounting.front))
        on_side = np.abs(left) > np.abs(face)
        found |= {
            "face_up_share": level & ~on_side & (face > 0),
            "face_down_share": level & ~on_side & (face <= 0),
            "left_side_share": level & on_side & (left < 0),
            "right_side_share": level & on_side & (left > 0),
        }
    return found


def means(values: Floats, parts: int) -> Floats:
    """Mean (count,) of each epoch over its seconds that have a value."""
    rows = values.reshape(-1, parts)
    there = np.isfinite(rows)
    return ratio(np.where(there, rows, 0).sum(axis=1), there.sum(axis=1).astype(np.float64))


def shares(held: Bools, known: Bools, parts: int) -> Floats:
    """Share (count,) of each epoch's ``known`` seconds (s,) that are in ``held`` (s,)."""
    return means(np.where(known, held.astype(np.float64), np.nan), parts)
