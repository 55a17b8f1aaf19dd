"""Stamps of a worn crystal: a temperature, a rate by it, delays, and a truth. Shares no code with nodeday.

Plain NumPy. Skew is ``ppm - 0.035 (T - 25)^2`` (typical of quartz data sheets), integrated by trapezia.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

GRID_S, HUB_FROM_S, LEAST_S = 10.0, 1000.0, 0.003
"""Steps of the temperature, the hub's clock at second 0, and the constant part of a delay."""
Weather = Literal["daily", "wandering"]
Delay = Literal["short", "long", "bursty", "whole seconds"]


@dataclass(frozen=True)
class Stamps:
    """Received ticks and hub stamps (ns), and of all frames the ticks and when each tick began (ns)."""

    ticks: NDArray[np.int64]
    stamp_ns: NDArray[np.int64]
    tick_hz: float
    sent_ticks: NDArray[np.int64]
    true_ns: NDArray[np.int64]


def celsius(
    seconds: NDArray[np.float64], kelvin: float, weather: Weather, rng: np.random.Generator
) -> NDArray[np.float64]:
    """Return temperatures around 31 degC: a daily sine, or an Ornstein-Uhlenbeck walk of two hours."""
    if weather == "daily":
        return 31.0 + kelvin * np.sin(2 * np.pi * (seconds / 86_400 + rng.uniform()))
    kept = np.exp(-GRID_S / 7200.0)
    walk, noise = np.empty(len(seconds)), rng.standard_normal(len(seconds)) * np.sqrt(1 - kept**2)
    walk[0] = rng.standard_normal()
    for at in range(1, len(walk)):
        walk[at] = kept * walk[at - 1] + noise[at]
    return 31.0 + kelvin / np.sqrt(2) * walk


def stamps(
    seed: int, days: float, every_s: float, kelvin: float, weather: Weather = "daily", delay: Delay = "short"
) -> Stamps:
    """Return frames that a node sends by its own clock, 3 in 100 lost; the hub stamps whole milliseconds.

    Delays are exponential of 2 ms (short) or 20 ms (long), or short ones of which a quarter waits for 80 ms
    more, most of them in bursts of minutes. Frames are made as a tick begins; or ticks are whole seconds, and
    frames are made at any time.
    """
    rng = np.random.default_rng([seed, 31])
    seconds = np.arange(0.0, days * 86_400 + 600, GRID_S)
    rate = 1 + 1e-6 * (20 - 0.035 * (celsius(seconds, kelvin, weather, rng) - 25) ** 2)
    clock = np.concatenate([[0.0], np.cumsum((rate[1:] + rate[:-1]) / 2 * GRID_S)])
    due = np.arange(30.0, days * 86_400, every_s) + rng.uniform(0, every_s)
    hz = 1.0 if delay == "whole seconds" else 32_768.0
    ticks = np.floor(due * hz).astype(np.int64)
    due = ticks / hz
    if delay == "whole seconds":
        due = due + rng.uniform(0, min(every_s, 5.0), len(due))
        ticks = np.floor(due * hz).astype(np.int64)
    made, true = np.interp(due, clock, seconds), np.interp(ticks / hz, clock, seconds)
    late = LEAST_S + rng.exponential(0.02 if delay == "long" else 0.002, len(made))
    if delay == "bursty":
        busy = (np.sin(2 * np.pi * made / 4000) > 0.8) | (rng.random(len(made)) < 0.1)
        late = late + busy * rng.exponential(0.08, len(made))
    got = rng.random(len(made)) > 0.03
    stamp_ms = np.floor((HUB_FROM_S + made + late) * 1e3).astype(np.int64)
    true_ns = np.rint((HUB_FROM_S + true) * 1e9).astype(np.int64)
    return Stamps(ticks[got], stamp_ms[got] * 1_000_000, hz, ticks, true_ns)
