"""Synthetic acceleration and skin temperature.

Amplitudes are plausible, not measured (common practice, no source). What tests rely on is known
exactly: gravity of 1 g, the cadence, the taps.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nodeday.core.arrays import Floats
from nodeday.stages.simulate.activity import Activity
from nodeday.stages.simulate.scenario import Sensor

NOISE_G = 0.004
TAP_G, TAP_WIDTH_S = 2.5, 0.02
TURN_S = 1.5
RAMP_S = 1.0


@dataclass(frozen=True)
class Placement:
    """Motion of a node's placement on the body.

    ``pitch`` and ``roll`` (rad) hold at rest, with standard deviation ``stray`` (rad) over postures.
    ``step_g`` and ``stride_g`` are the amplitudes of walking. ``shadow`` is the part of the stride,
    from 0 to 1, during which the body blocks the radio.
    """

    pitch: float
    roll: float
    stray: float
    step_g: float
    stride_g: float
    shadow: tuple[float, float] = (0.3, 0.5)


PLACEMENTS = {
    "chest": Placement(0.1, 1.45, 0.15, 0.22, 0.08),
    "wrist": Placement(-1.1, 0.3, 0.55, 0.25, 0.30, (0.25, 0.55)),
    "ankle": Placement(1.45, 0.1, 0.12, 0.55, 0.45, (0.45, 0.75)),
    "back": Placement(0.05, -1.45, 0.2, 0.22, 0.08),
}
ELSEWHERE = Placement(0.0, 0.0, 0.2, 0.25, 0.1)


def placement_of(name: str) -> Placement:
    """Return the motion of a placement by name; of any other, a general one."""
    return PLACEMENTS.get(name, ELSEWHERE)


def orientation(
    seconds: Floats, length_s: float, placement: Placement, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Return pitch and roll (n,) in rad: postures of 20 to 90 s with turns of 1.5 s between them."""
    n = int(length_s / 20) + 3
    change = np.cumsum(rng.uniform(20, 90, n))
    knots = np.stack([change, change + TURN_S], axis=1).ravel()
    angles = []
    for base in (placement.pitch, placement.roll):
        held = base + placement.stray * rng.standard_normal(n + 1)
        angles.append(np.interp(seconds, knots, np.repeat(held, 2)[1:-1]))
    return angles[0], angles[1]


def gait(strides: Floats, since_edge_s: Floats, placement: Placement) -> tuple[Floats, Floats]:
    """Return the acceleration (n,) in g along and across the vertical for strides walked (NaN: standing).

    Two steps make a stride, so the vertical moves at twice the rate of strides. The second harmonic
    makes the heel strike sharper.
    """
    walking = np.isfinite(strides)
    turn = 2 * np.pi * np.where(walking, strides, 0.0)
    envelope = np.where(walking, np.clip(since_edge_s / RAMP_S, 0, 1), 0.0)
    vertical = placement.step_g * (np.sin(2 * turn) + 0.45 * np.sin(4 * turn + 0.6))
    return envelope * vertical, envelope * placement.stride_g * np.sin(turn + 0.4)


def acceleration(
    seconds: Floats, activity: Activity, placement: Placement, rng: np.random.Generator
) -> Floats:
    """Return the acceleration (n, 3) in g at ``seconds``: gravity, postures, gait, taps and 4 mg of noise."""
    length_s = float(activity.edges_s[-1])
    pitch, roll = orientation(seconds, length_s, placement, rng)
    up = np.stack([np.sin(pitch), np.cos(pitch) * np.sin(roll), np.cos(pitch) * np.cos(roll)], axis=1)
    across = np.stack([np.cos(pitch), -np.sin(pitch) * np.sin(roll), -np.sin(pitch) * np.cos(roll)], axis=1)
    along_g, across_g = gait(activity.strides(seconds), _since_edge(seconds, activity.bouts_s), placement)
    along_g = along_g + taps(seconds, activity.taps_s)
    noise = NOISE_G * rng.standard_normal((len(seconds), 3))
    return np.asarray(up * (1 + along_g)[:, None] + across * across_g[:, None] + noise, np.float64)


def sensed(acceleration_g: Floats, sensor: Sensor) -> Floats:
    """Return the reading (n, 3) in g of a sensor with faults for an acceleration (n, 3) with its noise."""
    response = np.diag(sensor.gain) + sensor.cross_axis * (1 - np.eye(3))
    return np.asarray(acceleration_g @ response.T + np.array(sensor.offset_mg) / 1000, np.float64)


def _since_edge(seconds: Floats, bouts: Floats) -> Floats:
    """Return the seconds (n,) to the nearest start or end of a bout."""
    if not len(bouts):
        return np.zeros(seconds.shape)
    edges = np.sort(bouts.ravel())
    right = np.clip(np.searchsorted(edges, seconds), 1, len(edges) - 1)
    return np.minimum(np.abs(seconds - edges[right - 1]), np.abs(edges[right] - seconds))


def taps(seconds: Floats, taps_s: Floats) -> Floats:
    """Return the acceleration (n,) in g of taps, bells of 20 ms, equal for all nodes."""
    out = np.zeros(seconds.shape)
    for at in taps_s:
        out += TAP_G * np.exp(-0.5 * np.clip((seconds - at) / TAP_WIDTH_S, -30, 30) ** 2)
    return out


def skin_temperature(seconds: Floats, activity: Activity, rng: np.random.Generator) -> Floats:
    """Return the skin temperature (n,) in degC: it rises with heart rate, with 0.02 K of noise."""
    warm = np.clip((activity.heart_rate(seconds) - 60.0) / 60.0, 0, 2)
    settle = 1 - np.exp(-np.maximum(seconds, 0) / 900.0)
    noise = 0.02 * rng.standard_normal(len(seconds))
    return np.asarray(33.2 + settle * (0.6 + 1.3 * warm) + noise, np.float64)
