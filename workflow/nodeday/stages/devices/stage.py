"""Stage `devices`: the tables of a bench capture in, a record of each node out.

A bench capture goes through the ordinary chain as a session of a study of its own; this stage reads
what came of it.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from nodeday.config.bench_plan import BenchNode, BenchPlan, BenchStretch
from nodeday.config.device_records import Acceleration, Check, Record, verdict_of
from nodeday.config.study import Study
from nodeday.core.arrays import Floats
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
    """Records of the plan's nodes, from the tables of session ``plan.bench`` of ``study``.

    Raises ContractError where a table is absent, SettingsError where the plan asks of a node what
    its layout does not send.
    """
    return [_record(study, plan, name, own) for name, own in plan.nodes.items()]


def _record(study: Study, plan: BenchPlan, name: str, own: BenchNode) -> Record:
    found = [*_delivery(study, plan, name), _skew(study, plan, name)]
    coefficients: Acceleration | None = None
    if own.steps:
        found += _electrode(study, plan, name, own)
    if own.positions:
        rests = _rests(study, plan, name, own)
        more, coefficients = checks.acceleration(rests, plan.limits, _temperature(study, plan, name))
        found += more
    return Record(
        node=name,
        address=own.address,
        measured=plan.measured,
        verdict=verdict_of(tuple(found)),
        checks=tuple(found),
        acceleration=coefficients,
    )


def _delivery(study: Study, plan: BenchPlan, name: str) -> list[Check]:
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
    """The node's skew against UTC over its longest boot, as certain as both ends of its map allow."""
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
    found = checks.at_most("skew", skew, "ppm", limit, note=f"over {seconds:.0f} s")
    wide = 2e3 * float(longest["uncertainty_ms"].max()) / seconds
    return found.model_copy(update={"uncertainty": float(f"{wide:.2g}")})


def _kind(study: Study, plan: BenchPlan, name: str, unit: str, what: str) -> Kind:
    for kind in study.layout_of(plan.bench, name).kinds:
        if kind.channels and kind.channels[0].unit == unit:
            return kind
    layout = study.layout_of(plan.bench, name).layout
    raise SettingsError(
        f"node {name} has {what}, but no stream of layout {layout} is in {unit}", f"bench plan {plan.bench}"
    )


def _samples(study: Study, plan: BenchPlan, name: str, kind: Kind, channel: str | None) -> pd.DataFrame:
    rows = samples.read(study.results, plan.bench, name, kind, channel=channel)
    return rows.sort_values("utc_ns", kind="stable")


def _span(study: Study, plan: BenchPlan, stretch: BenchStretch) -> tuple[int, int]:
    """A stretch in nanoseconds UTC, without what is left for it to settle."""
    start_ns, _ = study.written_span(plan.bench)
    first, last = stretch.at_s + plan.settle_s, stretch.end_s - plan.settle_s
    return tuple((start_ns or 0) + round(edge * 1e9) for edge in (first, last))  # type: ignore[return-value]


def _electrode(study: Study, plan: BenchPlan, name: str, own: BenchNode) -> list[Check]:
    kind = _kind(study, plan, name, "mV", "steps")
    rows = _samples(study, plan, name, kind, kind.channels[0].name)
    measured = rows["origin"].isin(MEASURED).to_numpy(np.bool_)
    signal = ElectrodeSignal(
        rows["utc_ns"].to_numpy(np.int64), rows["value"].to_numpy(np.float64), measured, kind.rate_hz or 1.0
    )
    beats = tables.read(tables.path(study.results, "beats", plan.bench), "beats", ["node", "utc_ns"])
    beat_ns = np.sort(beats.loc[beats["node"] == name, "utc_ns"].to_numpy(np.int64))
    found = []
    for step in (step for step in own.steps if step.bpm is not None):
        start, end = _span(study, plan, step)
        rate, intervals = rate_bpm(
            beat_ns[(beat_ns >= start) & (beat_ns < end)], signal.within(start - 1, end)
        )
        note = f"{intervals} intervals" if intervals else "no whole interval between two beats"
        found.append(
            checks.at_most(
                "rate_error",
                rate - (step.bpm or 0),
                "bpm",
                plan.limits.max_rate_error_bpm,
                f"{step.bpm:g} bpm",
                note,
            )
        )
    windows, where = _level(study, plan, own, signal, beat_ns)
    noise, mains = noise_and_mains(windows, signal.rate_hz, plan.mains_hz)
    dark = f"{signal.rate_hz:g} Hz cannot carry {plan.mains_hz} Hz" if noise == noise else where
    clipped = rows["quality"].eq("clipped").to_numpy()
    inside = np.zeros(len(rows), bool)
    for step in own.steps:
        start, end = _span(study, plan, step)
        inside |= (signal.utc_ns >= start) & (signal.utc_ns < end)
    total = int((inside & measured).sum())
    share = int((inside & clipped).sum()) / total if total else float("nan")
    return [
        *found,
        checks.at_most("noise", 1000 * noise, "uV", plan.limits.max_noise_uv, note=where),
        checks.at_most(
            "mains",
            1000 * mains,
            "uV",
            plan.limits.max_mains_uv,
            f"{plan.mains_hz} Hz",
            where if mains == mains else dark,
        ),
        checks.at_most("clipped", share, "1", plan.limits.max_clipped),
    ]


def _level(
    study: Study, plan: BenchPlan, own: BenchNode, signal: ElectrodeSignal, beat_ns: np.ndarray
) -> tuple[Floats, str]:
    """Windows that hold noise and mains only, and where they are from."""
    flat = [step for step in own.steps if step.flat]
    if flat:
        parts = [blocks(signal.within(*_span(study, plan, step))) for step in flat]
        return np.concatenate(parts), "in the flat steps"
    slow = min(own.steps, key=lambda step: step.bpm or np.inf)
    if (slow.bpm or np.inf) > SLOW_BPM:
        return np.empty((0, 0)), f"no flat step, and none of {SLOW_BPM:g} bpm or slower"
    start, end = _span(study, plan, slow)
    beats = beat_ns[(beat_ns >= start) & (beat_ns < end)]
    return quiet_windows(signal.within(start, end), beats), f"between T and P waves at {slow.bpm:g} bpm"


def _rests(study: Study, plan: BenchPlan, name: str, own: BenchNode) -> list[Rest]:
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
    got = rows["origin"].isin(MEASURED).to_numpy(np.bool_)
    values = rows[["x", "y", "z"]].to_numpy(np.float64)
    found = []
    for position in own.positions:
        start, end = _span(study, plan, position)
        inside = got & (utc >= start) & (utc < end)
        found.append(rest_of(position.up, position.at_s, values[inside]))
    return found


def _temperature(study: Study, plan: BenchPlan, name: str) -> float | None:
    """The node's own temperature over the bench where it sends one, else the plan's."""
    for kind in study.layout_of(plan.bench, name).kinds:
        for channel in kind.channels:
            if channel.unit == "degC" and len(rows := _samples(study, plan, name, kind, channel.name)):
                values = rows.loc[rows["origin"].isin(MEASURED), "value"]
                if len(values):
                    return round(float(values.mean()), 2)
    return plan.temperature_c
