"""Node ticks to hub time and to UTC against the truth, beside three peers in the same run.

Run: ``.venv/bin/python benchmarks/clock.py [SEEDS]`` (20). Stamps are simulated as arrays: 10 frames a
second, delays of 3 ms + exponential 2 ms + bursts of seconds, hub stamps rounded down to 1 ms. The
peers are ordinary least squares, Theil and Sen's line through 1,500 points, one hull line over all,
and least stamps of 5 minutes joined by a cubic, each boot by boot, less the same constant delay; they
get the hub's stamps as they are, and the two that follow the edge get back the unit cut off.
Errors are of all frames sent outside the hub's outage; the band's share is of minutes. Machines
are noisy: read the ratios of times.
"""

from __future__ import annotations

import json
import sys
import time
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import numpy as np
from clock_peers import DELAY_MS, PEERS, peer_errors

from nodeday.core.arrays import Floats
from nodeday.stages.clock import hub, maps, movements, nodes
from nodeday.stages.clock.maps import Map
from nodeday.stages.clock.marks import fit_marks
from nodeday.stages.clock.rounding import Unit
from nodeday.stages.simulate.motion import taps
from nodeday.stages.simulate.stamps import HUB_START_NS, TICK_HZ, Events, StampedDay, Way, day, marks

FPS = 10.0


@dataclass(frozen=True)
class Case:
    """A row of the table, with its aims in ms (none: shown for what it is)."""

    name: str
    ppm: float
    moves: bool = False
    events: Events = field(default_factory=Events)
    way: Way = field(default_factory=Way)
    aim: tuple[float, float] | None = None


def cases(hours: float) -> list[Case]:
    messy = Events(
        restarts=(hours * 0.3, hours * 0.7),
        outages=((hours * 0.5, hours * 0.5 + 0.5),),
        steps=((hours * 0.6, 800.0),),
    )
    return [
        Case("stable", 30, aim=(0.05, 0.3)),
        Case("33, 22, 33 degC", 30, True, aim=(0.1, 1.0)),
        Case("the same, messy", 30, True, messy, Way(loss=0.2, burst=5), aim=(0.2, 2.0)),
        Case("stable, stamps 10 ms", 30, way=Way(unit_ms=10.0)),
        Case("stable, 3 ppm", 3),
        Case("stable, 0 ppm", 0),
    ]


def ours(days: list[StampedDay], way: Way) -> tuple[list[Map | None], list[float]]:
    """Maps of the first node's boots to the hub's clock, the hub's steps taken out, and their sizes."""
    got = [each.received() for each in days]
    order = np.argsort(np.concatenate([each.arrived_ns for each in got]), kind="stable")
    row = np.empty(len(order), np.int64)
    row[order] = np.arange(len(order))
    stamps = np.concatenate([each.stamp_ns for each in got])[order]
    edges = np.cumsum([0, *(len(each.ticks) for each in got)])
    boots = [
        nodes.Stamped(
            row[edges[k] : edges[k + 1]][rows],
            each.ticks[rows],
            each.stamp_ns[rows],
            np.zeros(len(rows), np.int64),
            np.zeros(len(rows)),
            float(TICK_HZ),
        )
        for k, each in enumerate(got)
        for boot in np.unique(each.boot).tolist()
        for rows in [np.flatnonzero(each.boot == boot)]
    ]
    names = [f"node {k}" for k, each in enumerate(got) for _ in np.unique(each.boot)]
    heard = []
    for name, own in zip(names, boots, strict=True):
        since = (own.ticks - own.ticks[0]) / TICK_HZ
        heard.append(
            hub.BootStamps(
                name, own.rows, since, (own.sent_ns - own.sent_ns[0]) / 1e6 - since * 1e3, Unit(way.unit_ms)
            )
        )
    steady = hub.steady(hub.RunStarts(np.array([0])), heard, None)
    ends = np.array([stamps.min() - 10**12, stamps.max() + 10**12])
    plain = Map(ends, ends, np.zeros(2), np.zeros(2), "fitted")
    found = []
    for name, own in zip(names, boots, strict=True):
        if name == names[0]:
            sent = nodes.Stamped(
                own.rows,
                own.ticks,
                steady.steady_ns(own.rows, stamps[own.rows]),
                own.run,
                steady.band_ms(own.rows),
                own.rate_hz,
            )
            found.append(
                nodes.map_boot(sent, steady.own.get(name, []), {0: plain}, Unit(way.unit_ms), DELAY_MS)
            )
    return found, [each.step.size_ms for each in steady.shared]


def measure(case: Case, hours: float, seeds: int) -> list[dict[str, object]]:
    moves = tuple((float(h), 22.0 if (h // 3) % 2 else 33.0) for h in range(3, int(hours), 3))
    errors: dict[str, list[Floats]] = {name: [] for name in ("nodeday", *PEERS)}
    held, took, sizes = [], {name: 0.0 for name in errors}, []
    for seed in range(seeds):
        days = [day(seed, hours, FPS, case.ppm, moves if case.moves else (), case.way, case.events)]
        if case.events.steps:  # a second node, or nobody could tell whose clock was moved
            other = Events(outages=case.events.outages, steps=case.events.steps)
            days.append(day(1000 + seed, hours, FPS, -20, (), case.way, other))
        own = days[0]
        begin = time.perf_counter()
        found, steps = ours(days, case.way)
        took["nodeday"] += time.perf_counter() - begin
        sizes += steps
        error, inside = np.empty(len(own.ticks)), np.empty(len(own.ticks), bool)
        for boot, each in enumerate(found):
            assert each is not None
            mine = own.boot == boot
            error[mine] = (each(own.ticks[mine]) - own.true_ns[mine]) / 1e6
            inside[mine] = np.abs(error[mine]) <= each.uncertainty(own.ticks[mine])
        minute = np.unique((own.true_ns - HUB_START_NS) // 60_000_000_000, return_index=True)[1]
        held.append(float(inside[minute].mean()))
        outside = np.ones(len(error), bool)
        for begin_h, end_h in case.events.outages:
            since_h = (own.true_ns - HUB_START_NS) / 3.6e12
            outside &= (since_h < begin_h) | (since_h >= end_h)
        errors["nodeday"].append(error[outside])
        for name, fit in PEERS.items():
            begin = time.perf_counter()
            errors[name].append(peer_errors(own, fit, case.way.unit_ms)[outside])
            took[name] += time.perf_counter() - begin
    rows = []
    for name, each in errors.items():
        rows.append(
            {
                "case": case.name,
                "hours": hours,
                "by": name,
                "rms_ms": float(np.sqrt(np.mean([np.mean(e**2) for e in each]))),
                "worst_ms": max(float(np.abs(e).max()) for e in each),
                "bias_ms": float(np.mean([e.mean() for e in each])),
                "held": float(np.mean(held)) if name == "nodeday" else None,
                "held_least": min(held) if name == "nodeday" else None,
                "aim": case.aim if name == "nodeday" else None,
                "seconds": took[name] / seeds,
                "steps_ms": [round(size, 3) for size in sizes] if name == "nodeday" and sizes else None,
            }
        )
    return rows


def chain(hours: float, seeds: int) -> list[dict[str, object]]:
    """The hub's clock to UTC from marks every 10 s; what it errs by, all nodes err by too."""
    moves = tuple((float(h), 22.0 if (h // 3) % 2 else 33.0) for h in range(3, int(hours), 3))
    rows = []
    for name, moved, in_step in (
        ("marks, stable hub", (), False),
        ("marks, hub 33, 22, 33 degC", moves, False),
        ("marks in step with the hub", (), True),
    ):
        errors, held = [], []
        for seed in range(seeds):
            own = marks(seed, hours, 10.0, 4.0, moved, in_step=in_step)
            found = fit_marks(own.hub_ns, own.utc_ns, 1.0, 1.0, "up", "after")
            error = (found(own.hub_ns) - own.true_ns) / 1e6
            errors.append(error)
            held.append(float((np.abs(error) <= found.uncertainty(own.hub_ns)).mean()))
        rows.append(
            {
                "case": name,
                "hours": hours,
                "by": "nodeday",
                "rms_ms": float(np.sqrt(np.mean([np.mean(e**2) for e in errors]))),
                "worst_ms": max(float(np.abs(e).max()) for e in errors),
                "bias_ms": float(np.mean([e.mean() for e in errors])),
                "held": float(np.mean(held)),
                "held_least": min(held),
                "aim": None,
                "seconds": None,
                "steps_ms": None,
            }
        )
    return rows


def tap_offsets(seeds: int, rate_hz: float = 50.0) -> dict[str, object]:
    """Offsets of two accelerometers from three taps in an hour of rest, with 4 mg of noise and 5 % of
    frames of ten samples lost, found without being told when."""
    errors, found = [], 0
    for seed in range(seeds):
        rng = np.random.default_rng([seed, 50])
        at = float(rng.uniform(100, 3500))
        true_ms = float(rng.uniform(-400, 400))
        signals = []
        for node, late_ms in (("one", 0.0), ("other", true_ms)):
            seconds = np.arange(3600 * rate_hz) / rate_hz + rng.uniform(0, 1 / rate_hz)
            size = taps(seconds, at + np.array([0.0, 0.7, 1.6])) + 0.004 * rng.standard_normal(len(seconds))
            kept = np.repeat(rng.random(len(seconds) // 10) > 0.05, 10)
            shown = np.rint((seconds + late_ms / 1e3) * 1e9).astype(np.int64)
            at_once, rows = np.zeros(1, np.int64), np.arange(kept.sum())  # a frame for each sample
            sizes = partial(np.take, size[kept][:, None], axis=0)
            signals.append(movements.MovementSignal.of(node, shown[kept], at_once, rows, rate_hz, sizes))
        for each in movements.matches(signals, movements.moments(movements.jerks(signals))):
            found += 1
            errors.append(each.offset_ms - true_ms)
    rms = float(np.sqrt(np.mean(np.square(errors))))
    worst = float(np.abs(errors).max())
    return {"case": "taps", "seeds": seeds, "found": found, "rms_ms": rms, "worst_ms": worst}


def speed() -> dict[str, object]:
    """A 15-hour node at 10 frames a second, from stamps to map; least of five."""
    own = day(0, 15, FPS, 30).received()
    took = []
    for _ in range(5):
        begin = time.perf_counter()
        maps.fit_map(own.ticks, own.stamp_ns, TICK_HZ, Unit(1.0), DELAY_MS)
        took.append(time.perf_counter() - begin)
    return {"case": "speed", "frames": len(own.ticks), "seconds": min(took)}


def show(row: dict[str, object]) -> None:
    band = f"{row['held']:6.1%} (least {row['held_least']:4.0%})" if row["held"] is not None else ""
    aim = f"aim {row['aim'][0]} {row['aim'][1]}" if row["aim"] else ""  # type: ignore[index]
    seconds = f"{row['seconds']:6.2f} s" if row["seconds"] is not None else ""
    errors = f"rms {row['rms_ms']:8.4f}  worst {row['worst_ms']:8.3f}  bias {row['bias_ms']:+8.4f} ms"
    print(
        f"{row['hours']:>3} h {row['case']:<27} {row['by']:<14} {errors}  {band:<19} {seconds}  {aim}",
        flush=True,
    )
    if row["steps_ms"]:
        print(f"      steps found (800 ms each): {row['steps_ms']}")


def main() -> None:
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    rows: list[dict[str, object]] = []
    for hours in (15, 24):
        for case in cases(hours):
            got = measure(case, hours, seeds if case.aim else max(1, seeds // 4))
            for row in got if case.aim else got[:1]:
                rows.append(row)
                show(row)
        for row in chain(hours, seeds):
            rows.append(row)
            show(row)
    tapped, quick = tap_offsets(seeds), speed()
    print(
        f"taps at 50 Hz: {tapped['found']} of {seeds} found, rms {tapped['rms_ms']:.3f}, worst "
        f"{tapped['worst_ms']:.3f} ms (aim 2 ms)"
    )
    print(f"15 h at 10 frames/s: {quick['frames']} frames in {quick['seconds']:.2f} s (aim 0.5 s)")
    Path(__file__).with_suffix(".json").write_text(json.dumps([*rows, tapped, quick], indent=2) + "\n")


if __name__ == "__main__":
    main()
