"""The study stage: rules, the wide table, and the tables of a small study whose truth is known."""

from __future__ import annotations

import shutil
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from conftest import put_samples, store_frames
from hypothesis import given, settings
from hypothesis import strategies as st
from nodeday.schemas import TABLES
from nodeday.schemas.codes import GAP_CAUSE

from nodeday.config import checks
from nodeday.config.models import Rule
from nodeday.config.study import Study
from nodeday.core.errors import ContractError, SettingsError
from nodeday.stages.study import rules, stage, wide
from nodeday.stages.study.epochs import epoch_matrix
from nodeday.storage import tables
from nodeday.storage.ledger import Ledger

REPO = Path(__file__).parents[1]
START = 1_784_005_200_000_000_000  # 2026-07-14T05:00:00Z, 07:00 in the demo's zone
SECOND = 1_000_000_000
RATE = 32768
STREAMS = {"ecg": (250, 20), "acc": (50, 10), "temp": (1, 4)}
NODES = {
    "heart": ("ecg", "chest"),
    "trunk": ("acc", "chest"),
    "wrist": ("acc", "wrist"),
    "ankle": ("acc", "ankle"),
    "skin": ("temp", "back"),
}


@dataclass
class Made:
    """A made study, and the truth of each of its nodes."""

    study: Study
    session: str
    seconds: int
    kept: dict[str, int] = field(default_factory=dict)
    lost: dict[str, int] = field(default_factory=dict)


def write_config(root: Path, notes: str = "") -> Study:
    """Settings of three sessions with the nodes above, and the demo's layout."""
    config = root / "config"
    if not config.exists():
        shutil.copytree(REPO / "config" / "layouts", config / "layouts")
        address = "".join(f"*\t{n}\t{16 + k}\t{p}\n" for k, (n, (_, p)) in enumerate(NODES.items()))
        names = {"P01": "S01-clean", "P02": "S02-lossy", "P03": "S03-mess"}
        for name, text in {
            "study.yaml": "study: made\ntitle: A made study\nzone: Europe/Madrid\n"
            "limits: {min_hours: 0.75}\n",
            "participants.tsv": "participant\tage_years\n" + "".join(f"{p}\t40\n" for p in names),
            "sessions.tsv": "session\tparticipant\tcaptures\tlayout\n"
            + "".join(f"{s}\t{p}\tcaptures/{s}.bin\tbeltframe\n" for p, s in names.items()),
            "nodes.tsv": f"session\tnode\taddress\tplacement\n*\thub\t0\thub\n{address}",
            "events.tsv": f"session\tphase\tstart\tend\n{notes}",
        }.items():
            (config / name).write_text(text, encoding="utf-8")
    return Study(root)


def make_study(root: Path, seconds: int = 300, session: str = "S02-lossy") -> Made:
    """Tables of one session as the stages before would leave them, from a drawn timeline::

    heart |####.##.#####  hub  ####.###|   radio loss, an outage of all nodes
    trunk |#############  out  ########|
    wrist |####### restart     ########|   twenty seconds of unknown length
    skin  |##################    end   |   the battery ends
    """
    study = write_config(root)
    made = Made(study, session, seconds)
    rng = np.random.default_rng(7)
    pieces = {"frames": [], "gaps": [], "loss": [], "clock": [], "epochs": []}  # type: ignore[var-annotated]
    for number, (node, (stream, placement)) in enumerate(NODES.items()):
        one = _node(rng, node, stream, seconds, 12.0 * number - 20)
        made.kept[node], made.lost[node] = int(one["kept"].sum()), int(one["gaps"]["frames"].sum())
        for name in ("frames", "gaps", "loss", "clock"):
            pieces[name].append(one[name])
        pieces["epochs"].append(_epochs(rng, made, node, stream, placement, one))
        if stream == "ecg":
            _heart(made, one)
    for name in ("steps", "movements", "agreement", "bursts", "signal_quality", "calibration", "rhythm"):
        tables.write(tables.path(study.results, name, session), TABLES[name], tables.empty(TABLES[name]))
    for name, parts in pieces.items():
        rows = pd.concat(parts, ignore_index=True)
        if name == "frames":
            rows["offset"] = np.arange(len(rows)) * 50
            store_frames(study.results, session, rows)
            continue
        rows = {key: rows[key] for key in TABLES[name].names}
        tables.write(
            tables.path(study.results, name, session), TABLES[name], tables.build(TABLES[name], rows)
        )
    _radio(made)
    ledger = Ledger("loss", session)
    for node, (stream, _) in NODES.items():
        kept, lost = made.kept[node], made.lost[node]
        ledger.add("frames", f"{node}/{stream}", kept + lost, received=kept, lost=lost)
    ledger.close(study.results)
    return made


def _node(rng, node, stream, seconds, skew):  # type: ignore[no-untyped-def]
    rate, samples = STREAMS[stream]
    period = samples / rate
    at = np.arange(int(seconds / period)) * period  # start of each frame, s
    boot, kept = np.zeros(at.size, int), np.ones(at.size, bool)
    cause = np.full(at.size, "radio", dtype=object)
    if stream != "temp":
        state = rng.random(at.size) < 0.02
        kept &= ~(state | np.roll(state, 1) & (rng.random(at.size) < 0.7))
    out = (at >= 0.6 * seconds) & (at < 0.68 * seconds)
    kept &= ~out
    cause[out] = "hub_outage"
    if node == "wrist":
        boot[at >= 0.3 * seconds] = 1
        silent = (at >= 0.3 * seconds) & (at < 0.3 * seconds + 20)
        at, boot, kept, cause = (each[~silent] for each in (at, boot, kept, cause))
    if node == "skin":
        alive = at < 0.85 * seconds
        at, boot, kept, cause = (each[alive] for each in (at, boot, kept, cause))
    for b in np.unique(boot):  # a boot's first and last frame arrive
        kept[np.flatnonzero(boot == b)[[0, -1]]] = True
    zero = np.array([at[boot == b][0] for b in boot])
    seq = np.concatenate([np.arange(np.count_nonzero(boot == b)) for b in np.unique(boot)])
    stamp = at + period - 1 / rate  # the last sample
    ticks = np.round((stamp - zero) * RATE * (1 + skew * 1e-6)).astype(np.int64)
    n = int(kept.sum())
    frames = pd.DataFrame(
        {
            "capture": np.int16(0),
            "offset": np.arange(n),
            "length": np.int32(50),
            "node": node,
            "stream": stream,
            "kind": np.int32(1 + list(STREAMS).index(stream)),
            "boot": boot[kept].astype(np.int32),
            "seq_raw": seq[kept] % 256,
            "seq": seq[kept],
            "ticks_raw": ticks[kept] % (1 << 24),
            "ticks": ticks[kept],
            "hub_ns": ((stamp[kept] + 100) * SECOND).astype(np.int64),
            "mark_utc_ns": pd.array([None] * n, "Int64"),
            "rssi_dbm": np.float32(-60),
            "lqi": np.float32(100),
            "battery_v": np.float32(3),
            "samples": np.int32(samples),
            "payload": [b""] * n,
            "status": "good",
        }
    )
    gaps = _gaps(node, stream, boot, seq, kept, cause, stamp)
    return {
        "frames": frames,
        "gaps": gaps,
        "loss": _loss(node, stream, at, kept, cause),
        "kept": kept,
        "clock": _clock(node, boot, at, zero, skew),
        "at": at,
        "boot": boot,
        "seq": seq,
        "cause": cause,
        "period": period,
    }


def _gaps(node, stream, boot, seq, kept, cause, stamp):  # type: ignore[no-untyped-def]
    rows = []
    hub = ((stamp + 100) * SECOND).astype(np.int64)

    def row(b, a, z, why, before, after, reason=None):  # type: ignore[no-untyped-def]
        rows.append(
            (
                node,
                stream,
                b,
                a,
                z,
                None if z is None else z - a,
                "unknown" if z is None else "known",
                why,
                before,
                after,
                reason,
            )
        )

    index, boots = 0, np.unique(boot)
    while index < kept.size:  # the naive way, frame by frame
        if kept[index]:
            index += 1
            continue
        last = index
        while not kept[last] and boot[last] == boot[index]:
            last += 1
        why = "hub_outage" if "hub_outage" in cause[index:last] else "radio"
        row(boot[index], seq[index], seq[last - 1] + 1, why, hub[index - 1], hub[last])
        index = last
    for b in boots[:-1]:
        edge = np.flatnonzero(boot == b)[-1]
        row(b, seq[edge] + 1, None, "node_restart", hub[edge], hub[edge + 1], "restart")
    if node == "skin":
        row(boots[-1], seq[-1] + 1, None, "end_of_battery", hub[-1], None, "nothing_after")
    frame = pd.DataFrame(rows, columns=TABLES["gaps"].names)
    for name in ("seq_to", "frames", "after_hub_ns"):
        frame[name] = frame[name].astype("Int64")
    return frame.astype({"boot": "int32", "seq_from": "int64", "before_hub_ns": "int64"})


def _loss(node, stream, at, kept, cause):  # type: ignore[no-untyped-def]
    minute = (at // 60).astype(np.int64)
    frame = pd.DataFrame({"minute": minute, "received": kept.astype(np.int64)})
    for each in GAP_CAUSE:
        frame[f"lost_{each}"] = (~kept & (cause == each)).astype(np.int64)
    rows = frame.groupby("minute").sum().reset_index()
    rows["expected"] = rows.drop(columns="minute").sum(axis=1)
    return rows.assign(
        node=node,
        stream=stream,
        minute_hub_ns=(rows["minute"] * 60 + 100) * SECOND,
        recovered=0,
        hub_run=np.int16(0),
        minute_utc_ns=(START + rows["minute"] * 60 * SECOND).astype("Int64"),
        duplicates=1,
        conflicts=0,
        late=0,
        rssi_dbm=np.float32(-60),
        lqi=np.float32(100),
        longest_gap_frames=3,
    )


def _radio(made):  # type: ignore[no-untyped-def]
    """What the pages read besides: loss against signal, a battery, nothing that failed its checksum."""
    table = TABLES["signal"]
    rows = [
        (node, stream, "rssi_dbm", low, low + 2.0, 200, lost, lost / 200, 0.0, 1.0)
        for node, (stream, _) in NODES.items()
        for low, lost in ((-62.0, 60), (-60.0, 2))
    ]
    columns = dict(zip(table.names, map(list, zip(*rows, strict=True)), strict=True))
    battery = {
        "node": ["heart"],
        "readings": [900],
        "first_v": [4.1],
        "last_v": [3.4],
        "fall_v_per_h": [0.1],
        "left_h": [4.0],
        "left_reason": [None],
        "state": ["giving_way"],
        "silent_hub_ns": pd.array([None], "Int64"),
    }
    nothing = {c.name: [0] * len(NODES) for c in TABLES["radio"].columns}
    radio = nothing | {
        "node": list(NODES),
        "stream": [stream for stream, _ in NODES.values()],
        "radio_loss": [0.03] * 5,
        "received": list(made.kept.values()),
        "mean_run_frames": [2.0] * 5,
        "burst_ratio": [1.9] * 5,
        "period_s": [samples / rate for rate, samples in (STREAMS[s] for s, _ in NODES.values())],
        "longest_run_frames": [3] * 5,
    }
    made_up = {
        "radio": tables.build(TABLES["radio"], radio),
        "signal": tables.build(table, columns),
        "rejects": tables.empty(TABLES["rejects"]),
        "battery": tables.build(TABLES["battery"], battery),
        "fields": tables.empty(TABLES["fields"]),
    }
    for name, frame in made_up.items():
        tables.write(tables.path(made.study.results, name, made.session), TABLES[name], frame)


def _clock(node, boot, at, zero, skew):  # type: ignore[no-untyped-def]
    rows = []
    for b in np.unique(boot):
        since = np.linspace(0, at[boot == b][-1] - at[boot == b][0] + 10, 8)
        start = zero[boot == b][0]
        for k, t in enumerate(since):
            at_ns = START + round((start + t) * SECOND)
            rows.append(
                (
                    node,
                    "*",
                    b,
                    round(t * RATE * (1 + skew * 1e-6)),
                    at_ns,
                    skew + 0.4 * np.sin(k),
                    0.0,
                    1.5,
                    1.0 + (k == 0) * 0.8,
                    3.0,
                    0.0,
                    "fitted",
                    "node",
                )
            )
    return pd.DataFrame(rows, columns=TABLES["clock"].names).astype({"boot": "int32"})


def _epochs(rng, made, node, stream, placement, one):  # type: ignore[no-untyped-def]
    rows, length = [], 30
    features = {"ecg": ["heart_rate_bpm", "rmssd_ms"], "acc": ["enmo_mg"], "temp": ["mean", "spread"]}[stream]
    levels = {"heart_rate_bpm": 95, "rmssd_ms": 28, "enmo_mg": 60, "mean": 34.1, "spread": 0.05}
    for k in range(-(-made.seconds // length)):
        inside = (one["at"] >= k * length) & (one["at"] < (k + 1) * length)
        share = min(1.0, float((one["kept"] & inside).sum()) * one["period"] / length)
        for feature in features:
            value = levels[feature] * (1 + 0.2 * np.sin(k / 9) + 0.04 * rng.normal())
            value = value if feature != "mean" else 34.1 + 0.01 * k
            reason = None if share >= 0.8 else "no_data" if share == 0 else "low_coverage"
            rows.append(
                (
                    "P02",
                    node,
                    placement,
                    "skin" if stream == "temp" else stream,
                    k,
                    START + k * length * SECOND,
                    START + (k + 1) * length * SECOND,
                    feature,
                    value if reason is None else np.nan,
                    share,
                    reason,
                    np.nan,
                    np.nan,
                    np.nan,
                    None,
                )
            )
    return pd.DataFrame(rows, columns=TABLES["epochs"].names).astype({"epoch": "int32"})


def _heart(made, one):  # type: ignore[no-untyped-def]
    """Samples and beats of the ECG: peaks every 640 ms; fills in every seventh gap of one frame."""
    n = 20
    utc = START + np.round((one["at"][:, None] + np.arange(n) / 250) * SECOND).astype(np.int64)
    phase = (utc - START) / SECOND % 0.64
    value = 1.1 * np.exp(-0.5 * ((phase - 0.2) / 0.012) ** 2) + 0.2 * np.exp(
        -0.5 * ((phase - 0.45) / 0.05) ** 2
    )
    kept = np.repeat(one["kept"][:, None], n, axis=1)
    lone = ~one["kept"] & np.roll(one["kept"], 1) & np.roll(one["kept"], -1) & (one["seq"] % 3 == 0)
    origin = np.where(kept, "measured", np.where(lone[:, None], "interpolated", "missing"))
    shown = np.where(origin == "missing", np.nan, value).astype(np.float32)
    raw = pd.array(np.round(value / 0.002).astype(np.int32).ravel(), "Int32")
    raw[~kept.ravel()] = pd.NA
    columns = {
        "boot": np.zeros(kept.size, np.int32),
        "seq": np.repeat(one["seq"], n),
        "position": np.tile(np.arange(n, dtype=np.int16), len(utc)),
        "utc_ns": utc.ravel(),
        "ecg_raw": raw,
        "ecg": shown.ravel(),
        "origin": origin.ravel(),
        "fill_probability": np.where(origin == "interpolated", 0.9, np.nan).astype(np.float32).ravel(),
        "ecg_quality": np.where(kept, "good", "not_measured").ravel(),
    }
    put_samples(made.study, made.session, "heart", "ecg", columns)
    beat = START + np.round((np.arange(0.2, made.seconds, 0.64)) * SECOND).astype(np.int64)
    beats = tables.build(
        TABLES["beats"],
        {
            "node": ["heart"] * beat.size,
            "boot": np.zeros(beat.size, np.int32),
            "utc_ns": beat,
            "amplitude_mv": np.full(beat.size, 1.1, np.float32),
            "origin": ["measured"] * beat.size,
            "fill_probability": np.full(beat.size, np.nan, np.float32),
            "rr_ms": np.r_[np.nan, np.full(beat.size - 1, 640.0)],
            "rr_status": np.where(np.arange(beat.size) % 5 == 0, "touches_gap", "normal"),
        },
    )
    tables.write(tables.path(made.study.results, "beats", made.session), TABLES["beats"], beats)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    made = make_study(tmp_path_factory.mktemp("study"))
    stage.run(made.study, [made.session])
    return made


def read(made: Made, name: str) -> pd.DataFrame:
    return tables.read(tables.path(made.study.results, name), name)


# Rules


def series(*rows: dict[str, object]) -> pd.DataFrame:
    """Series of nodes ``a`` of session S1, well within every limit but for what the rows state."""
    usual = {
        "participant": "P1",
        "session": "S1",
        "node": "a",
        "channel": "c",
        "feature": "enmo_mg",
        "finished": 1.0,
        "hours": 1.0,
        "coverage": 1.0,
        "carries_samples": 1.0,
        "valid": 1.0,
        "uncertainty_ms": 1.0,
        "calibrated": 1.0,
        "bench_passed": 1.0,
    }
    return pd.DataFrame([usual | row for row in rows])


def limits(*rules_: tuple[str, float]) -> list[rules.RuleStep]:
    return rules.in_order([Rule(rule=name, threshold=limit) for name, limit in rules_])  # type: ignore[arg-type]


def test_a_rule_about_samples_is_not_for_a_node_that_sends_none() -> None:
    listed = series(
        {"coverage": np.nan, "carries_samples": 0.0}, {"node": "b", "coverage": np.nan}, {"node": "c"}
    )
    applied = rules.apply(limits(("min_coverage", 0.8)), listed)
    assert applied.out.tolist() == [False, True, False]


def test_a_limit_that_is_just_met_is_met() -> None:
    listed = series({"hours": 0.5, "coverage": 0.8, "uncertainty_ms": 20.0, "valid": 0.5})
    steps = limits(
        ("min_hours", 0.5), ("min_coverage", 0.8), ("max_clock_uncertainty", 20.0), ("min_valid_epochs", 0.5)
    )
    assert not rules.apply(steps, listed).out.any()


def test_each_rule_fails_with_its_threshold_and_value() -> None:
    listed = series(
        {"hours": 0.4, "coverage": 0.79, "uncertainty_ms": 20.1},
        {"hours": 0.4, "node": "b", "uncertainty_ms": np.nan},
    )
    steps = limits(("min_hours", 0.5), ("min_coverage", 0.8), ("max_clock_uncertainty", 20.0))
    found = rules.exclusions(rules.apply(steps, listed))
    columns = ["node", "rule", "threshold", "value", "counts"]
    assert [tuple(row) for row in found[columns].fillna({"value": -1}).to_numpy()] == [
        ("*", "min_hours", 0.5, 0.4, "yes"),
        ("a", "min_coverage", 0.8, 0.79, "no"),
        ("a", "max_clock_uncertainty", 20.0, 20.1, "no"),
        ("b", "max_clock_uncertainty", 20.0, -1, "no"),
    ]


def test_rules_are_counted_alone_and_in_sequence() -> None:
    """Four participants, one node each, drawn as what they fail::

                hours  coverage          alone        in sequence
    P1            x       x              hours 2      hours 2
    P2            x                      coverage 2   coverage 1
    P3                    x
    P4                                                one left
    """
    listed = series(
        {"participant": "P1", "session": "S1", "hours": 0.1, "coverage": 0.1},
        {"participant": "P2", "session": "S2", "hours": 0.1},
        {"participant": "P3", "session": "S3", "coverage": 0.1},
        {"participant": "P4", "session": "S4"},
    )
    rows = rules.counts(rules.apply(limits(("min_hours", 0.5), ("min_coverage", 0.5)), listed))
    keys = ("rule", "participants_alone", "participants_excluded", "participants_left")
    assert [tuple(row[key] for key in keys) for row in rows] == [
        ("listed", 0, 0, 4),
        ("finished", 0, 0, 4),
        ("min_hours", 2, 2, 2),
        ("min_coverage", 2, 1, 1),
    ]


def test_a_rule_for_one_feature_leaves_the_node() -> None:
    listed = series({"feature": "rmssd_ms", "valid": 0.4}, {"feature": "heart_rate_bpm", "valid": 0.4})
    steps = rules.in_order([Rule(rule="min_valid_epochs", threshold=0.5, feature="rmssd_ms")])
    applied = rules.apply(steps, listed)
    assert applied.out.tolist() == [True, False]
    last = rules.counts(applied)[-1]
    assert (last["nodes_left"], last["series_excluded"], last["series_left"]) == (1, 1, 1)
    assert rules.exclusions(applied)[["node", "channel", "feature", "value"]].to_numpy().tolist() == [
        ["a", "c", "rmssd_ms", 0.4]
    ]


def test_a_session_that_did_not_finish_fails_that_rule_and_no_other() -> None:
    lost = {name: np.nan for name in ("hours", "coverage", "valid", "uncertainty_ms")}
    listed = series({"session": "S2", "feature": "", "channel": "", "finished": 0.0, **lost}, {})
    applied = rules.apply(limits(("min_hours", 0.5), ("min_coverage", 0.8)), listed)
    found = rules.exclusions(applied)
    assert found[["session", "node", "rule", "threshold", "value"]].to_numpy().tolist() == [
        ["S2", "*", "finished", 1.0, 0.0]
    ]
    rows = rules.counts(applied)
    assert [row["sessions_left"] for row in rows] == [2, 1, 1, 1]
    assert rows[0]["series_left"] == 1


@settings(deadline=None, max_examples=60)
@given(st.data())
def test_counts_equal_a_naive_count(data: st.DataObject) -> None:
    names = st.sampled_from(["A", "B", "C"])
    rows = [
        {"participant": p, "session": f"{p}{s}", "node": n, "feature": f, "hours": h, "coverage": c}
        for (p, s, n, f), (h, c) in data.draw(
            st.dictionaries(
                st.tuples(names, st.integers(0, 1), names, st.sampled_from(["enmo_mg", "beats"])),
                st.tuples(st.sampled_from([0.2, 1.0]), st.sampled_from([0.2, 1.0])),
                min_size=1,
            )
        ).items()
    ]
    listed = series(*rows)
    found = rules.counts(rules.apply(limits(("min_hours", 0.5), ("min_coverage", 0.5)), listed))
    for level, key in (("participants", "participant"), ("sessions", "session")):
        every = {row[key] for row in rows}
        after_hours = {row[key] for row in rows if row["hours"] >= 0.5}
        after_both = {row[key] for row in rows if row["hours"] >= 0.5 and row["coverage"] >= 0.5}
        only_coverage = {row[key] for row in rows if row["coverage"] >= 0.5}
        assert [r[f"{level}_left"] for r in found[1:]] == [len(every), len(after_hours), len(after_both)]
        assert found[2][f"{level}_excluded"] == len(every) - len(after_hours)
        assert found[3][f"{level}_alone"] == len(every) - len(only_coverage)


def test_verdict_is_unusable_only_past_half_of_the_epochs() -> None:
    assert rules.verdict(True, True, 0.5) == "limited"
    assert rules.verdict(True, True, 0.51) == "unusable"
    assert rules.verdict(True, False, 0.2) == "usable"
    assert rules.verdict(False, True, 0.0) == "link_only"


def test_an_epoch_without_coverage_or_clock_is_below() -> None:
    coverage = np.array([1.0, np.nan, 0.9, 0.1])
    width = np.array([1.0, 1.0, np.nan, 1.0])
    assert rules.share_below(coverage, width, 0.8, 20.0) == 0.75
    assert rules.share_below(np.zeros(0), np.zeros(0), 0.8, 20.0) == 1.0


@settings(deadline=None, max_examples=50)
@given(
    st.lists(st.tuples(st.integers(0, 100), st.floats(0, 50)), min_size=1, max_size=6),
    st.lists(st.integers(-10, 110), min_size=1, max_size=6),
)
def test_uncertainty_between_knots_is_the_wider_side(
    knots: list[tuple[int, float]], asked: list[int]
) -> None:
    knots = sorted(dict(knots).items())
    at, width = np.array([k for k, _ in knots]), np.array([w for _, w in knots])
    for got, t in zip(rules.uncertainty_at(np.array(asked), at, width), asked, strict=True):
        left = max((k for k, _ in knots if k < t), default=knots[0][0])
        right = min((k for k, _ in knots if k >= t), default=knots[-1][0])
        assert got == max(dict(knots)[left], dict(knots)[right])


def test_no_knots_no_uncertainty() -> None:
    assert np.isnan(rules.uncertainty_at(np.array([5]), np.zeros(0, np.int64), np.zeros(0))).all()


# The wide table


def test_phases_are_half_open_and_the_later_start_wins() -> None:
    at = np.array([0, 9, 10, 15, 19, 20])
    assert wide.phase_at(at, ["a", "b"], [0, 10], [15, 20]).tolist() == ["a", "a", "b", "b", "b", None]


def test_pivot_tells_apart_one_feature_of_two_streams() -> None:
    extra = {column.name: [1.0, np.nan] for column in wide.OF_VALUE if column.name != "coverage"}
    long = pd.DataFrame(
        extra
        | {
            "node": ["n", "n"],
            "placement": ["hip", "hip"],
            "channel": ["acc", "fast"],
            "epoch": [0, 0],
            "start_ns": [0, 0],
            "end_ns": [1, 1],
            "feature": ["enmo_mg", "enmo_mg"],
            "value": [1.0, np.nan],
            "coverage": [1.0, 0.2],
        }
    )
    epochs = epoch_matrix(long)
    assert wide.columns_of(epochs.series) == {
        "n_enmo_mg": wide.Meaning("n", "acc", "enmo_mg"),
        "n_fast_enmo_mg": wide.Meaning("n", "fast", "enmo_mg"),
    }
    rows = wide.pivot(epochs)
    assert rows["n_enmo_mg"].tolist() == [1.0]
    assert np.isnan(rows["n_fast_enmo_mg"]).all()
    assert rows["n_fast_enmo_mg_coverage"].tolist() == [0.2]


def test_error_bars_stand_next_to_their_value() -> None:
    long = pd.DataFrame(
        {
            "node": ["heart"],
            "placement": ["chest"],
            "channel": ["ecg"],
            "epoch": [0],
            "start_ns": [0],
            "end_ns": [1],
            "feature": ["rmssd_ms"],
            "value": [30.0],
            "coverage": [0.9],
            "low": [27.0],
            "high": [34.0],
            "bias": [0.5],
        }
    )
    epochs = epoch_matrix(long)
    names = [f"heart_rmssd_ms{end}" for end in ("", "_coverage", "_low", "_high", "_bias")]
    columns = wide.pivot(epochs)
    assert [columns[name].tolist() for name in names] == [[30.0], [0.9], [27.0], [34.0], [0.5]]
    table = wide.declare(wide.columns_of(epochs.series), ["heart"], {})
    assert [table[name].unit for name in names] == ["ms", "1", "ms", "ms", "ms"]


@settings(deadline=None)
@given(st.permutations(range(12)), st.sets(st.integers(0, 11)))
def test_matrices_of_epochs_whatever_the_order_of_their_rows(order: list[int], absent: set[int]) -> None:
    """pandas's reindexing as a second opinion."""
    cells = pd.DataFrame(
        {
            "epoch": np.arange(12) // 3,
            "feature": [f"f{number % 3}" for number in range(12)],
            "value": np.where(np.arange(12) % 5 == 0, np.nan, np.arange(12.0)),
        }
    )
    same = {"node": "n", "placement": "hip", "channel": "acc", "low": np.nan, "high": np.nan, "bias": np.nan}
    cells = cells.assign(start_ns=cells["epoch"] * 30, end_ns=cells["epoch"] * 30 + 30, coverage=1.0, **same)
    rows = cells.iloc[[number for number in order if number not in absent]].reset_index(drop=True)
    found = epoch_matrix(rows)
    assert [each.feature for each in found.series] == list(rows["feature"].unique())
    assert found.number.tolist() == sorted(rows["epoch"].unique())
    assert found.start_ns.tolist() == [number * 30 for number in found.number.tolist()]
    assert found.listed.sum() == len(rows)
    for number, each in enumerate(found.series):
        own = rows[rows["feature"] == each.feature].set_index("epoch")["value"].reindex(found.number)
        assert np.array_equal(found.value[number], own, equal_nan=True)
        assert found.valid[number] == own.notna().sum() / found.listed[number].sum()


# The stage


def test_sessions_hold_the_truth(made: Made) -> None:
    rows = read(made, "sessions").set_index("node")
    assert list(rows.index) == list(NODES)
    for node, (stream, _) in NODES.items():
        rate, samples = STREAMS[stream]
        assert rows.loc[node, "frames_received"] == made.kept[node]
        assert rows.loc[node, "frames_lost"] == made.lost[node]
        owed = made.seconds * rate
        assert rows.loc[node, "coverage"] == pytest.approx(made.kept[node] * samples / owed, rel=1e-6)
    assert rows["restarts"].to_dict() == {"heart": 0, "trunk": 0, "wrist": 1, "ankle": 0, "skin": 0}
    assert rows["unknown_gaps"].to_dict() == {"heart": 0, "trunk": 0, "wrist": 1, "ankle": 0, "skin": 1}
    assert abs(rows["start_ns"] - START).max() < 50_000  # a tick is 30.5 microseconds
    assert abs(rows["end_ns"] - START - made.seconds * SECOND).max() < 50_000
    assert rows["hours"].to_numpy() == pytest.approx(made.seconds / 3600, rel=1e-6)
    assert rows["clock_uncertainty_ms"].to_numpy() == pytest.approx(1.8)


def test_exclusions_name_rule_threshold_and_value(made: Made) -> None:
    rows, found = read(made, "exclusions"), read(made, "sessions").set_index("node")
    assert ("*", "min_hours") in list(zip(rows["node"], rows["rule"], strict=True))
    short = rows[rows["rule"] == "min_coverage"]
    short = short[short["session"] == made.session]
    assert list(short["node"]) == [node for node in NODES if found.loc[node, "coverage"] < 0.8]
    assert "skin" in list(short["node"])
    assert short["value"].tolist() == [found.loc[node, "coverage"] for node in short["node"]]
    assert set(found["verdict"]) == {"limited"}


def test_without_notes_the_session_is_its_only_phase(made: Made) -> None:
    rows = read(made, "phases")
    ends = read(made, "sessions").iloc[0]
    epochs = pd.read_csv(made.study.results / "study" / "epochs_wide.csv")
    assert set(epochs["phase"]) == {"session"}
    assert rows[["phase", "source"]].astype(str).to_numpy().tolist() == [["session", "session"]]
    assert (rows["start_ns"].iloc[0], rows["end_ns"].iloc[0]) == (ends["start_ns"], ends["end_ns"])


def test_noted_phases_are_clipped_to_the_data(tmp_path: Path) -> None:
    noted = (("rest", "06:50"), ("harvest", "07:01"), ("dinner", "19:00"))
    write_config(tmp_path, "".join(f"S02-lossy\t{name}\t2026-07-14T{at}:00\t\n" for name, at in noted))
    made = make_study(tmp_path, seconds=120)
    stage.run(made.study, [made.session])
    rows, ends = read(made, "phases"), read(made, "sessions").iloc[0]
    assert list(rows["phase"]) == ["rest", "harvest", "dinner"]
    assert list(rows["source"]) == ["events", "events", "outside"]
    assert list(rows["start_ns"][:2]) == [ends["start_ns"], START + 60 * SECOND]
    assert list(rows["end_ns"][:2]) == [START + 60 * SECOND, ends["end_ns"]]
    assert list(rows["noted_start_ns"]) == [START + each * SECOND for each in (-600, 60, 43_200)]
    assert list(rows["epochs"]) == [2, 2, 0]
    epochs = pd.read_csv(tmp_path / "results/study/epochs_wide.csv")
    assert epochs["phase"].tolist() == ["rest", "rest", "harvest", "harvest"]


def test_wide_holds_every_epoch_and_value_once(made: Made) -> None:
    long = tables.read(tables.path(made.study.results, "epochs", made.session), "epochs")
    rows = pd.read_parquet(made.study.results / "study" / "epochs_wide.parquet")
    assert len(rows) == long["epoch"].nunique()
    assert rows["start_utc"].iloc[0] == "2026-07-14T05:00:00Z"
    for each in long.itertuples():
        name = wide.column_of(str(each.node), str(each.channel), str(each.feature))
        cell = rows.loc[rows["epoch"] == each.epoch].iloc[0]
        assert cell[f"{name}_coverage"] == each.coverage
        assert (pd.isna(cell[name]) and pd.isna(each.value)) or cell[name] == each.value
    assert list(rows.filter(like="_excluded")) == [f"{node}_excluded" for node in NODES]
    assert rows["minutes"].tolist() == [each / 2 for each in range(len(rows))]
    assert set(rows["age_years"]) == {40}


def test_csv_says_what_the_parquet_says(made: Made) -> None:
    folder = made.study.results / "study"
    text, stored = pd.read_csv(folder / "epochs_wide.csv"), pd.read_parquet(folder / "epochs_wide.parquet")
    assert list(text) == list(stored)
    for name in stored.select_dtypes("float64"):
        assert text[name].to_numpy(np.float64) == pytest.approx(stored[name].to_numpy(), nan_ok=True)


def test_the_studys_ledger_holds_every_stage(made: Made) -> None:
    rows = read(made, "ledger")
    assert set(rows["stage"]) == {"loss", "study"}
    assert (rows["entered"] == rows["accounted"]).all()
    assert all(scope.startswith("S02-lossy ") for scope in rows["scope"])


def test_running_again_gives_the_same_bytes(made: Made) -> None:
    target = made.study.results / "study" / "epochs_wide.csv"
    before = target.read_bytes()
    stage.run(made.study, [made.session])
    assert target.read_bytes() == before


def test_an_absent_table_is_named_in_a_sentence(made: Made) -> None:
    with pytest.raises(ContractError, match="expected a table that an earlier stage wrote"):
        stage.run(made.study, [made.session, "S01-clean"])


def test_sessions_that_did_not_finish_are_excluded_by_name(tmp_path: Path) -> None:
    study = write_config(tmp_path)
    stage.run(study, [])
    names = ("phases", "phase_features", "sessions", "ledger", "exclusions", "participants", "flow")
    written = {name: tables.read(tables.path(tmp_path / "results", name), name) for name in names}
    for name in ("phases", "phase_features", "sessions", "ledger"):
        assert len(written[name]) == 0
    assert list(written["exclusions"]["session"]) == list(study.sessions)
    assert set(written["exclusions"]["rule"]) == {"finished"}
    people = written["participants"]
    assert list(people["status"]) == ["excluded"] * 3
    assert list(people["rule"]) == ["finished"] * 3
    assert list(written["flow"]["participants_left"]) == [3, 0, 0, 0, 0]


def test_the_flow_ends_at_the_participants_that_are_included(made: Made) -> None:
    flow, people, out = (read(made, name) for name in ("flow", "participants", "exclusions"))
    assert flow["participants_left"].iloc[-1] == (people["status"] == "included").sum()
    assert flow["participants_left"].iloc[0] == len(people) == 3
    for level in ("participants", "sessions", "nodes", "series"):
        left = flow[f"{level}_left"].to_numpy()
        assert (left[:-1] - flow[f"{level}_excluded"].to_numpy()[1:] == left[1:]).all()
    assert set(out["step"]) <= set(flow["step"])


def test_phase_features_are_the_means_of_the_wide_table(tmp_path: Path) -> None:
    noted = (("rest", "07:00"), ("harvest", "07:01"), ("break", "07:03"))
    write_config(tmp_path, "".join(f"S02-lossy\t{name}\t2026-07-14T{at}:00\t\n" for name, at in noted))
    made = make_study(tmp_path, seconds=300)
    stage.run(made.study, [made.session])
    rows = read(made, "phase_features")
    epochs = pd.read_parquet(tmp_path / "results/study/epochs_wide.parquet")
    for each in rows.itertuples():
        inside = epochs[(epochs["phase"] == each.phase) & (epochs["phase_whole"] == "yes")]
        name = wide.column_of(str(each.node), str(each.channel), str(each.feature))
        assert each.epochs == len(inside)
        assert each.epochs_with_value == inside[name].notna().sum()
        assert each.value == pytest.approx(inside[name].mean(), nan_ok=True)
        assert each.coverage == pytest.approx(inside[f"{name}_coverage"].mean())
        complete = each.epochs == each.epochs_with_value
        assert not complete or each.low == each.value == each.high
        assert complete or np.isnan(each.low) or each.low < each.value < each.high
    assert set(rows["phase"]) == {"rest", "harvest", "break"}


def test_rules_of_the_study_file_replace_the_limits(tmp_path: Path) -> None:
    study = write_config(tmp_path)
    file = tmp_path / "config" / "study.yaml"
    file.write_text(
        file.read_text() + "rules:\n  - {rule: calibrated, node: wrist}\n"
        "  - {rule: min_valid_epochs, threshold: 0.95, feature: rmssd_ms}\n"
    )
    made = make_study(tmp_path)
    stage.run(Study(tmp_path), [made.session])
    out = read(made, "exclusions")
    own = out[out["session"] == made.session]
    assert own[["node", "channel", "feature", "rule"]].astype(str).to_numpy().tolist() == [
        ["wrist", "*", "*", "calibrated"],
        ["heart", "ecg", "rmssd_ms", "min_valid_epochs"],
    ]
    assert own["value"].isna().tolist() == [True, False]
    rows = pd.read_parquet(study.results / "study" / "epochs_wide.parquet")
    assert set(rows["wrist_excluded"]) == {"yes"}
    assert set(rows["heart_excluded"]) == {"no"}
    assert set(rows["heart_rmssd_ms_excluded"]) == {"yes"}
    assert "heart_heart_rate_bpm_excluded" not in rows  # no rule is about it
    nodes = read(made, "sessions").astype(str).set_index("node")
    assert nodes.loc[["heart", "wrist"], "verdict"].tolist() == ["limited", "limited"]


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("{rule: min_hours}", "min_hours needs a threshold"),
        ("{rule: bench_passed, threshold: 2}", "bench_passed takes no threshold"),
        ("{rule: min_coverage, threshold: 80}", "from 0 to 1, and the threshold is 80"),
        ("{rule: min_valid_epochs, threshold: 0.5, feature: rmsd_ms}", "(did you mean rmssd_ms?)"),
        ("{rule: min_coverage, threshold: 0.5, feature: beats}", "min_coverage takes no feature"),
        ("{rule: min_hours, threshold: 1, node: wrist}", "min_hours is for whole sessions"),
    ],
)
def test_a_rule_that_cannot_be_used_is_refused(tmp_path: Path, text: str, sentence: str) -> None:
    write_config(tmp_path)
    file = tmp_path / "config" / "study.yaml"
    file.write_text(f"{file.read_text()}rules:\n  - {text}\n")
    with pytest.raises(SettingsError) as error:
        Study(tmp_path)
    assert sentence in str(error.value)


def test_a_rule_for_an_unknown_node_is_a_problem(tmp_path: Path) -> None:
    write_config(tmp_path)
    file = tmp_path / "config" / "study.yaml"
    file.write_text(f"{file.read_text()}rules:\n  - {{rule: calibrated, node: wirst}}\n")
    problems = [str(each) for each in checks.problems(Study(tmp_path), "S01-clean")]
    assert any("names node wirst" in each and "(did you mean wrist?)" in each for each in problems)
