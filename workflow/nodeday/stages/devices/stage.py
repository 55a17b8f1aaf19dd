"""Stage `devices`: the tables of a bench capture in, a record of each node out.

A bench capture goes through the ordinary chain as a session of a study of its own; this stage reads
its tables.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from nodeday.config.bench_plan import BenchNode, BenchPlan, BenchStretch
from nodeday.config.device_records import Acceleration, Check, Record, verdict_of
from nodeday.config.study import Study
from nodeday.core.arrays import Floats, Ints
from nodeday.core.errors import SettingsError
from nodeday.core.threads import one_thread
from nodeday.layouts import Kind
from nodeday.stages.devices import checks
from nodeday.stages.devices.electrode import (
    SLOW_BPM,
    ElectrodeSignal,
    blocks,
    noise_and_mains,
    quiet_windows,
    rate_bpm,
)
from nodeday.stages.devices.positions import Rest, rest_of
from nodeday.storage import samples, tables

MEASURED = ("measured", "recovered")


@one_thread()
def run(study: Study, plan: BenchPlan) -> list[Record]:
    """Return the records of the plan's nodes, from the tables of session ``plan.bench`` of ``study``.

    Raises ContractError where a table is absent, SettingsError where the plan asks of a node what
    its layout does not send.
    """
    return [_record(study, plan, name, node) for name, node in plan.nodes.items()]


def _record(study: Study, plan: BenchPlan, name: str, node: BenchNode) -> Record:
    """Return the record of one node."""
    done = [*_delivery(study, plan, name), _skew(study, plan, name)]
    coefficients: Acceleration | None = None
    if node.steps:
        done += _electrode(study, plan, name, node)
    if node.positions:
        rests = _rests(study, plan, name, node)
        more, coefficients = checks.acceleration(rests, plan.limits, _temperature(study, plan, name))
        done += more
    return Record(
        node=name,
        address=node.address,
        measured=plan.measured,
        verdict=verdict_of(tuple(done)),
        checks=tuple(done),
        acceleration=coefficients,
    )


def _delivery(study: Study, plan: BenchPlan, name: str) -> list[Check]:
    """Return the check of the share of frames that arrived, for each stream."""
    radio = tables.read(tables.path(study.results, "radio", plan.bench), "radio")
    rows = radio[radio["node"] == name]
    if rows.empty:
        note = "no frame arrived"
        return [checks.at_least("delivery", 0.0, "1", plan.limits.min_delivery, note=note)]
    return [
        checks.at_least(
            "delivery",
            row["received"] / row["expected"],
            "1",
            plan.limits.min_delivery,
            str(row["stream"]),
            f"and {row['unknown_gaps']} gaps of unknown length" if row["unknown_gaps"] else "",
        )
        for row in rows.to_dict("records")
    ]


def _skew(study: Study, plan: BenchPlan, name: str) -> Check:
    """Return the check of the node's skew against UTC over its longest boot.

    Its uncertainty follows from that of both ends of the clock map.
    """
    clock = tables.read(tables.path(study.results, "clock", plan.bench), "clock")
    rows = clock[(clock["node"] == name) & (clock["status"] == "fitted")]
    limit = plan.limits.max_skew_ppm
    if rows.empty:
        note = "no rate was fitted: a bench of six minutes or longer, with host marks, is needed"
        return checks.missing("skew", "ppm", limit, note)
    boots = rows.groupby("boot")["utc_ns"].agg(["min", "max"])
    longest = rows[rows["boot"] == (boots["max"] - boots["min"]).idxmax()]
    seconds = float(longest["utc_ns"].max() - longest["utc_ns"].min()) / 1e9
    skew = float(np.average(longest["skew_ppm"]))
    check = checks.at_most("skew", skew, "ppm", limit, note=f"over {seconds:.0f} s")
    width = 2e3 * float(longest["uncertainty_ms"].max()) / seconds
    return check.model_copy(update={"uncertainty": float(f"{width:.2g}")})


def _kind(study: Study, plan: BenchPlan, name: str, unit: str, what: str) -> Kind:
    """Return the first stream in ``unit`` of a node for which the plan has ``what``."""
    for kind in study.layout_of(plan.bench, name).kinds:
        if kind.channels and kind.channels[0].unit == unit:
            return kind
    layout = study.layout_of(plan.bench, name).layout
    raise SettingsError(
        f"node {name} has {what}, but no stream of layout {layout} is in {unit}", f"bench plan {plan.bench}"
    )


def _samples(study: Study, plan: BenchPlan, name: str, kind: Kind, channel: str | None) -> pd.DataFrame:
    """Return the samples of a stream, or of one channel of it, in order of time."""
    rows = samples.read(study.results, plan.bench, name, kind, channel=channel)
    if (rates := rows["rate_hz"].unique().tolist()) != [kind.rate_hz] and rates:
        raise SettingsError(
            f"node {name} sent {kind.stream} at {' and '.join(f'{each:g}' for each in rates)} Hz",
            f"bench plan {plan.bench}",
            f"{kind.rate_hz:g} Hz throughout, the first of the layout's rates for it",
        )
    return rows.sort_values("utc_ns", kind="stable")


def _span(study: Study, plan: BenchPlan, stretch: BenchStretch) -> tuple[int, int]:
    """Return a stretch [start, end) in ns UTC, without the time to settle at both ends."""
    start_ns, _ = study.written_span(plan.bench)
    first, last = stretch.at_s + plan.settle_s, stretch.end_s - plan.settle_s
    return tuple((start_ns or 0) + round(edge * 1e9) for edge in (first, last))  # type: ignore[return-value]


def _electrode(study: Study, plan: BenchPlan, name: str, node: BenchNode) -> list[Check]:
    """Return the checks of an ECG node: heart rate of each step, noise, mains pick-up, clipping."""
    kind = _kind(study, plan, name, "mV", "steps")
    rows = _samples(study, plan, name, kind, kind.channels[0].name)
    measured = rows["origin"].isin(MEASURED).to_numpy(np.bool_)
    signal = ElectrodeSignal(
        rows["utc_ns"].to_numpy(np.int64), rows["value"].to_numpy(np.float64), measured, kind.rate_hz or 1.0
    )
    beats = tables.read(tables.path(study.results, "beats", plan.bench), "beats", ["node", "utc_ns"])
    beat_ns = np.sort(beats.loc[beats["node"] == name, "utc_ns"].to_numpy(np.int64))
    clipped = rows["quality"].eq("clipped").to_numpy()
    in_step = np.zeros(len(rows), bool)
    for step in node.steps:
        start, end = _span(study, plan, step)
        in_step |= (signal.utc_ns >= start) & (signal.utc_ns < end)
    total = int((in_step & measured).sum())
    share = int((in_step & clipped).sum()) / total if total else float("nan")
    return [
        *_rates(study, plan, node, signal, beat_ns),
        *_noise_and_mains(study, plan, node, signal, beat_ns),
        checks.at_most("clipped", share, "1", plan.limits.max_clipped),
    ]


def _rates(
    study: Study, plan: BenchPlan, node: BenchNode, signal: ElectrodeSignal, beat_ns: Ints
) -> list[Check]:
    """Return the check of the heart rate of each step that has one."""
    done = []
    for step in (step for step in node.steps if step.bpm is not None):
        start, end = _span(study, plan, step)
        rate, intervals = rate_bpm(
            beat_ns[(beat_ns >= start) & (beat_ns < end)], signal.within(start - 1, end)
        )
        note = f"{intervals} intervals" if intervals else "no complete interval between two beats"
        done.append(
            checks.at_most(
                "rate_error",
                rate - (step.bpm or 0),
                "bpm",
                plan.limits.max_rate_error_bpm,
                f"{step.bpm:g} bpm",
                note,
            )
        )
    return done


def _noise_and_mains(
    study: Study, plan: BenchPlan, node: BenchNode, signal: ElectrodeSignal, beat_ns: Ints
) -> list[Check]:
    """Return the checks of noise and of mains pick-up."""
    windows, where = _quiet(study, plan, node, signal, beat_ns)
    noise, mains = noise_and_mains(windows, signal.rate_hz, plan.mains_hz)
    # Noise without mains: the windows are good, but their rate is too low for the mains frequency.
    why_none = where if np.isnan(noise) else f"{signal.rate_hz:g} Hz cannot carry {plan.mains_hz} Hz"
    return [
        checks.at_most("noise", 1000 * noise, "uV", plan.limits.max_noise_uv, note=where),
        checks.at_most(
            "mains",
            1000 * mains,
            "uV",
            plan.limits.max_mains_uv,
            f"{plan.mains_hz} Hz",
            why_none if np.isnan(mains) else where,
        ),
    ]


def _quiet(
    study: Study, plan: BenchPlan, node: BenchNode, signal: ElectrodeSignal, beat_ns: Ints
) -> tuple[Floats, str]:
    """Return windows (w, n) in mV that hold noise and mains only, and where they are from."""
    flat = [step for step in node.steps if step.flat]
    if flat:
        parts = [blocks(signal.within(*_span(study, plan, step))) for step in flat]
        return np.concatenate(parts), "in the flat steps"
    slow = min(node.steps, key=lambda step: step.bpm or np.inf)
    if (slow.bpm or np.inf) > SLOW_BPM:
        return np.empty((0, 0)), f"no flat step, and none of {SLOW_BPM:g} bpm or slower"
    start, end = _span(study, plan, slow)
    beats = beat_ns[(beat_ns >= start) & (beat_ns < end)]
    return quiet_windows(signal.within(start, end), beats), f"between T and P waves at {slow.bpm:g} bpm"


def _rests(study: Study, plan: BenchPlan, name: str, node: BenchNode) -> list[Rest]:
    """Return what an accelerometer read in each of its positions."""
    kind = _kind(study, plan, name, "g", "positions")
    axes = {channel.name: channel for channel in kind.channels}
    if set(axes) != {"x", "y", "z"}:
        raise SettingsError(
            f"stream {kind.stream} of node {name} has channels {', '.join(axes)}",
            f"bench plan {plan.bench}",
            "x, y and z",
        )
    rows = _samples(study, plan, name, kind, None)
    utc = rows["utc_ns"].to_numpy(np.int64)
    measured = rows["origin"].isin(MEASURED).to_numpy(np.bool_)
    values = rows[["x", "y", "z"]].to_numpy(np.float64)
    rests = []
    for position in node.positions:
        start, end = _span(study, plan, position)
        inside = measured & (utc >= start) & (utc < end)
        rests.append(rest_of(position.up, position.at_s, values[inside]))
    return rests


def _temperature(study: Study, plan: BenchPlan, name: str) -> float | None:
    """Return the node's own mean temperature over the bench where it sends one, else the plan's."""
    for kind in study.layout_of(plan.bench, name).streams:
        for channel in kind.channels:
            if channel.unit == "degC" and len(rows := _samples(study, plan, name, kind, channel.name)):
                values = rows.loc[rows["origin"].isin(MEASURED), "value"]
                if len(values):
                    return round(float(values.mean()), 2)
    return plan.temperature_c
