"""Rows of every table of two sessions traced: no exception, and counts of the steps are those of the row.

The capture is made by plain Python that shares no code with the package::

    hub clock   500 ------------------- 758 | 2 ---------------- 242       restarts at second 260
    S1          |--------------------------------------------------|       with a transmit list
    mid                [-----------------------------)                     both edges inside lost frames
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest
import sent_lists
import test_changing_rate as plain
from nodeday.schemas import TABLES
from nodeday.schemas.codes import DISTINCT, GAP_CAUSE
from nodeday.schemas.features import JOINT
from numpy.typing import NDArray
from test_changing_rate import DELAY_S, RATE, START_S, TICK_HZ, Sender

from nodeday.cli.main import main
from nodeday.config.study import Study
from nodeday.core.errors import GOOD
from nodeday.products.lineage.cell import trace
from nodeday.products.lineage.step import TraceStep, as_json
from nodeday.storage import frames, samples, tables

HEART, SKIN, TRUNK = 16, 17, 18
HUB_FROM_S, HUB_OFF_S, HUB_ON_S, END_S = 500.0, 258.0, 260.0, 480.0
SKIN_RESTARTS_S = 150.0
MORE = """
  - {name: slot, role: other, bits: 8}
  - {name: cell, role: battery, bits: 8, scale: 0.02}
  - {name: payload, role: payload}"""
LAYOUT = (
    plain.LAYOUT.format(counter_bits=16)
    .replace("\n  - {name: payload, role: payload}", MORE)
    .replace("\nkinds:", "\n  - {name: rssi, role: rssi, bits: 8, signed: true}\nkinds:")
)
"""With a field of its own, the voltage of the battery, and the strength of the signal."""
STUDY = """
study: trial
zone: UTC
grid: {rate_hz: 50}
epochs: {seconds: 30}
fill: {ecg: {method: pattern, max_ms: 250, context_ms: 200, min_probability: 0.3}}
"""


def heart(seconds: float, rate: int, scale: float, from_s: float) -> NDArray[np.int64]:
    """Counts (n,) of 75 beats a minute: an R peak of 1.2 mV, a T wave, and noise."""
    phase = (from_s + np.arange(int(seconds * rate)) / rate) % 0.8 - 0.4
    wave = 1.2 * np.exp(-((phase / 0.012) ** 2)) + 0.2 * np.exp(-(((phase - 0.2) / 0.05) ** 2))
    noise = 0.01 * np.random.default_rng(rate).standard_normal(len(phase))
    return np.rint((wave + noise) / scale).astype(np.int64)


def walk(seconds: float, rate: int) -> NDArray[np.int64]:
    """Counts (n, 3) of 120 steps a minute for three minutes of four, then of standing."""
    at = np.arange(int(seconds * rate)) / rate
    up = 1000 + 250 * np.sin(2 * np.pi * 2 * at) * ((at % 240) < 180)
    return np.rint(np.stack([0 * up, 0 * up, up], axis=1)).astype(np.int64)


def senders() -> list[tuple[Sender, float]]:
    """Streams of the nodes, and when each began to count ticks: the skin node restarts."""
    ecg, trunk = Sender(HEART), Sender(TRUNK, last=True)
    for kind, seconds, scale in ((1, 130, 0.005), (2, 150, 0.0005), (1, 199, 0.005)):
        ecg.send(kind, heart(seconds, RATE[kind][0], scale, ecg.at_s))
    for kind, seconds in ((3, 300), (4, 178)):
        trunk.send(kind, walk(seconds, RATE[kind][0]))
    skin = [Sender(SKIN), Sender(SKIN, at_s=SKIN_RESTARTS_S + 4)]
    for one, seconds in zip(skin, (SKIN_RESTARTS_S - 1, END_S - SKIN_RESTARTS_S - 5), strict=True):
        one.send(5, 3000 + np.arange(int(seconds) * 4))
    return [(ecg, 0.0), (trunk, 0.0), (skin[0], 0.0), (skin[1], SKIN_RESTARTS_S)]


def on_the_wire(kind: int, address: int, count: int, ticks: int, body: bytes, hub_s: float) -> bytes:
    """A frame with the fields of :data:`MORE`, and a signal that falls with its number."""
    own = bytes([11 + 15 * (count % 2), max(200 - count // 100, 120)])
    raw = plain.wire(kind, address, count, ticks, own + body, hub_s, "H")
    return raw + struct.pack("<b", -50 - count % 40)


def log(lost: set[tuple[int, float]]) -> bytes:
    """What the hub wrote; ``lost`` are address and instant of frames that never arrive."""
    rng, arrived = np.random.default_rng(5), list[tuple[float, int, int, int, bytes]]()
    for sender, boot_s in senders():
        for kind, count, at_s, values in sender.frames:
            if (sender.address, at_s) in lost:
                continue
            rate, size = RATE[kind]
            stamped = at_s + ((size - 1) / rate if sender.last else 0) - boot_s
            ready = at_s + (size - 1) / rate + DELAY_S + float(rng.exponential(0.002))
            chance = rng.random()
            for wait in [2.5] if chance < 0.01 else [0.0, 0.7] if chance < 0.03 else [0.0]:
                body = plain.payload(kind, values)
                arrived.append((ready + wait, kind, sender.address, count, round(stamped * TICK_HZ), body))
    for first, begin, stop in ((0.5, 0.0, HUB_OFF_S), (HUB_ON_S + 0.5, HUB_ON_S, END_S)):
        for number, at_s in enumerate(np.arange(first, stop, 10.0).tolist()):
            utc = struct.pack("<q", round((START_S + at_s) * 1000))
            arrived.append((at_s, 15, 0, number, round((at_s - begin) * TICK_HZ), utc))
    out = []
    for at_s, *frame in sorted(arrived):
        if at_s < HUB_OFF_S:
            out.append(on_the_wire(*frame, HUB_FROM_S + at_s))
        elif at_s >= HUB_ON_S:
            out.append(on_the_wire(*frame, 2 + at_s - HUB_ON_S))
    return b"".join([*out[:100], b"\xa5\x5a no frame", *out[100:]])


def losses() -> set[tuple[int, float]]:
    """Frames lost one by one and in bursts; the first and last three of the trunk, both edges of ``mid``."""
    rng, lost = np.random.default_rng(3), set[tuple[int, float]]()
    for sender, _ in senders():
        bad = False
        for _, _, at_s, _ in sender.frames:
            bad = rng.random() < (0.5 if bad else 0.04)
            lost |= {(sender.address, at_s)} if bad else set()
        at = [each[2] for each in sender.frames]
        edges = [at[np.searchsorted(at, edge, side="right") - 1] for edge in MID_S if at[0] < edge < at[-1]]
        lost |= {(sender.address, at_s) for at_s in edges}
        if sender.address == TRUNK:
            lost |= {(TRUNK, at_s) for at_s in (*at[:3], *at[-3:])}
    return lost


MID_S = (61.83, 402.27)


def at(seconds: float) -> str:
    """An instant as a sheet has it."""
    return f"{pd.Timestamp(round((START_S + seconds) * 1e9)):%Y-%m-%dT%H:%M:%S.%f}"


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    """The finished study. Not to be written to."""
    root, lost = tmp_path_factory.mktemp("lineage") / "study", losses()
    for folder in ("config/layouts", "captures"):
        (root / folder).mkdir(parents=True)
    (root / "captures" / "day.bin").write_bytes(log(lost))
    (root / "config" / "layouts" / "twospeed.yaml").write_text(LAYOUT)
    spans = {"S1": ("", ""), "mid": (at(MID_S[0]), at(MID_S[1]))}
    rows = [f"{name}\tP1\tcaptures/day.bin\ttwospeed\t{a}\t{b}\n" for name, (a, b) in spans.items()]
    notes = [f"{name}\twalk\t{at(90)}\t{at(240)}\n" for name in spans]
    for name, text in {
        "study.yaml": STUDY,
        "participants.tsv": "participant\tage_years\tresting_bpm\nP1\t40\t60\n",
        "sessions.tsv": "session\tparticipant\tcaptures\tlayout\tstart\tend\n" + "".join(rows),
        "nodes.tsv": "session\tnode\taddress\tplacement\n*\thub\t0\thub\n*\theart\t16\tchest\n"
        "*\tskin\t17\tchest\n*\ttrunk\t18\tchest\n",
        "events.tsv": "session\tphase\tstart\tend\n" + "".join(notes),
    }.items():
        (root / "config" / name).write_text(text)
    sent = [
        sent_lists.Sent(NODE[sender.address], count, at_s, (sender.address, at_s) not in lost)
        for sender, _ in senders()
        for _, count, at_s, _ in sender.frames
    ]
    sent_lists.write(root, "S1", [one for one in sent if one.node != "heart"])
    for session in spans:
        for stage in ("frames", "clock", "loss", "repair", "features"):
            assert main(["stage", stage, session, "--study", str(root)]) == GOOD, f"{session}: stage {stage}"
    assert main(["stage", "study", *spans, "--study", str(root)]) == GOOD
    return Study(root)


NODE = {HEART: "heart", SKIN: "skin", TRUNK: "trunk"}


# --- what a trace must add up to -------------------------------------------------------------------------


def steps(tree: TraceStep, what: str) -> list[TraceStep]:
    """Return the steps right behind a step that are of a kind."""
    return [each for each in tree.of if each.what == what]


def total(tree: TraceStep, what: str, name: str) -> int:
    """Return the sum of a value over these steps."""
    return sum(int(each.values.get(name) or 0) for each in steps(tree, what))


def lost_by_cause(row: Any, tree: TraceStep) -> None:
    (gaps,) = steps(tree, "gaps")
    for cause in GAP_CAUSE:
        assert gaps.values.get(f"lost_{cause}", 0) == row[f"lost_{cause}"], cause
    assert gaps.values["lost"] == row["expected"] - row["received"]
    assert len(gaps.of) == gaps.values["gaps"]


def received(row: Any, tree: TraceStep, *names: str) -> None:
    (frames_step,) = steps(tree, "frames")
    for name in names:
        assert frames_step.values[name] == row[name], name


def minute(study: Study, session: str, row: Any, tree: TraceStep) -> None:
    received(row, tree, "received", "recovered", "duplicates", "conflicts", "late")
    lost_by_cause(row, tree)
    (arrived,), (gaps,) = steps(tree, "frames"), steps(tree, "gaps")
    statuses = [each.values["status"] for each in arrived.of]
    assert sum(status in DISTINCT for status in statuses) == row["received"]
    assert len(statuses) == row["received"] + row["duplicates"]
    assert total(gaps, "gap", "counted") == gaps.values["lost"]
    start = row["minute_hub_ns"]
    assert all(start <= each.values["hub_ns"] < start + 60_000_000_000 for each in arrived.of)


def stream(study: Study, session: str, row: Any, tree: TraceStep) -> None:
    received(row, tree, "received", "recovered", "duplicates", "conflicts", "late", "inconsistent")
    lost_by_cause(row, tree)
    (gaps,) = steps(tree, "gaps")
    assert gaps.values.get("unknown_gaps", 0) == row["unknown_gaps"]
    assert total(gaps, "gap", "frames") == row["expected"] - row["received"]


def length(study: Study, session: str, row: Any, tree: TraceStep) -> None:
    (gaps,) = steps(tree, "gaps")
    assert [each.values["frames"] for each in gaps.of] == [row["length"]] * row["count"]


def signal_bin(study: Study, session: str, row: Any, tree: TraceStep) -> None:
    assert total(tree, "gaps", "lost") == row["lost"]
    assert total(tree, "frames", "received") == row["expected"] - row["lost"]


def field_value(study: Study, session: str, row: Any, tree: TraceStep) -> None:
    (gaps,) = steps(tree, "gaps")
    received(row, tree, "received")
    assert (len(gaps.of), gaps.values["lost"]) == (row["runs_after"], row["lost_after"])


def listed(study: Study, session: str, row: Any, tree: TraceStep) -> None:
    assert total(tree, "frames", "received") == row["received"] + row["not_listed"]
    parts = ("lost_leading", "lost_trailing", "lost_by_counter")
    assert total(tree, "gaps", "lost") == sum(row[part] for part in parts) == row["lost"]


def battery(study: Study, session: str, row: Any, tree: TraceStep) -> None:
    assert total(tree, "frames", "readings") == row["readings"]


def part_of_capture(study: Study, session: str, row: Any, tree: TraceStep) -> None:
    assert total(tree, "frames", "inside") == row["inside"]
    assert total(tree, "frames", "outside") == row["before"] + row["after"] + row["untimed"]


def node_of_session(study: Study, session: str, row: Any, tree: TraceStep) -> None:
    assert total(tree, "frames", "received") == row["frames_received"]
    assert total(tree, "gaps", "lost") == row["frames_lost"]
    assert total(tree, "gaps", "unknown_gaps") == row["unknown_gaps"]


def gap(study: Study, session: str, row: Any, tree: TraceStep) -> None:
    stamps = {each.values["hub_ns"] for each in steps(tree, "frame")}
    assert stamps == {int(row[name]) for name in ("before_hub_ns", "after_hub_ns") if pd.notna(row[name])}
    if pd.notna(row["seq_to"]):
        for each in steps(tree, "frame"):
            assert not row["seq_from"] <= each.values["seq"] < row["seq_to"]


def instants(study: Study, session: str, node: str, name: str, span: tuple[int, int]) -> pd.DataFrame:
    """Samples of the stream that has or is ``name``, by pandas."""
    for each, kind in study.streams_of(session):
        if each.node == node and name in (kind.stream, *(channel.name for channel in kind.channels)):
            rows = samples.read(study.results, session, node, kind)
            return rows[(rows["utc_ns"] >= span[0]) & (rows["utc_ns"] < span[1])]
    raise AssertionError(name)


def span(study: Study, session: str, row: Any, tree: TraceStep) -> None:
    name = row["channel"] if "channel" in row else row["stream"]
    wanted = instants(study, session, row["node"], name, (row["start_ns"], row["end_ns"]))
    assert total(tree, "samples", "instants") == len(wanted)
    for each in steps(tree, "samples"):
        of_frame = wanted[(wanted["boot"] == each.values["boot"]) & (wanted["seq"] == each.values["seq"])]
        assert set(of_frame["origin"].astype(str)) == {each.values["origin"]}


def epoch(study: Study, session: str, row: Any, tree: TraceStep) -> None:
    if row["channel"] != "heart":
        span(study, session, row, tree)
        return
    parts = {each.values["feature"]: each for each in steps(tree, "epoch")}
    assert row["coverage"] == pytest.approx(min(each.values["coverage"] for each in parts.values()))
    rate = parts["heart_rate_bpm"].values["value"]
    if pd.notna(row["value"]):
        per = parts["cadence_step_min"].values["value"] if row["feature"] == "beats_per_step" else 1
        assert row["value"] == pytest.approx(rate / per)
    for each in parts.values():
        span(study, session, pd.Series(each.values), each)


def beat(study: Study, session: str, row: Any, tree: TraceStep) -> None:
    assert 1 <= len(steps(tree, "sample")) <= 3
    for each in steps(tree, "beat before"):
        assert row["rr_ms"] == pytest.approx((row["utc_ns"] - each.values["utc_ns"]) / 1e6)


def phase_mean(study: Study, session: str, row: Any, tree: TraceStep) -> None:
    values = [each.values["value"] for each in steps(tree, "epoch")]
    assert len(values) == row["epochs"]
    assert sum(value is not None for value in values) == row["epochs_with_value"]


def participant(study: Study, session: str, row: Any, tree: TraceStep) -> None:
    assert len({each.values["session"] for each in steps(tree, "session")}) == row["sessions"]


def sample(study: Study, session: str, row: Any, tree: TraceStep) -> None:
    for each in [tree] if tree.what == "sample" else steps(tree, "sample"):
        if row["origin"] == "measured":
            (frame,) = steps(each, "frame")
            assert (frame.values["boot"], frame.values["seq"]) == (row["boot"], row["seq"])
            assert each.values["raw"] == frame.counts[each.values["channel"]][row["position"]]
        else:
            (lost,) = steps(each, "gap")
            assert lost.values.get("seq_from", lost.values.get("seq")) <= row["seq"]


def agreement(study: Study, session: str, row: Any, tree: TraceStep) -> None:
    assert len(steps(tree, "movement")) == row["moments"]


def frame(study: Study, session: str, row: Any, tree: TraceStep) -> None:
    assert (tree.values["offset"], tree.values["seq"]) == (row["offset"], row["seq"])
    assert len(tree.values["bytes"].split()) == row["length"]


def hub_run(study: Study, session: str, row: Any, tree: TraceStep) -> None:
    assert [each.values["hub_ns"] for each in steps(tree, "frame")] == [row["hub_ns"]]


def nothing(study: Study, session: str, row: Any, tree: TraceStep) -> None:
    """A row that counts nothing that its steps could."""
    assert tree.what


Check = Callable[[Study, str, Any, TraceStep], None]
CHECKS: dict[str, Check] = {
    "frames": frame,
    "hub_runs": hub_run,
    "gaps": gap,
    "loss": minute,
    "radio": stream,
    "bursts": length,
    "signal": signal_bin,
    "fields": field_value,
    "sent": listed,
    "battery": battery,
    "cut": part_of_capture,
    "agreement": agreement,
    "samples": sample,
    "beats": beat,
    "rhythm": span,
    "epochs": epoch,
    "signal_quality": span,
    "bouts": span,
    "phase_features": phase_mean,
    "sessions": node_of_session,
    "participants": participant,
}
EMPTY = {"movements", "agreement", "rhythm"}
"""Tables without a row here."""


def rows_of(study: Study, name: str, session: str) -> pd.DataFrame:
    """All rows of a table that are of a session, or all rows of a table of the study."""
    table = TABLES[name]
    if name == "frames":
        rows = frames.table(study.results, session)
    elif name == "samples":
        parts = [
            samples.read(study.results, session, one.node, kind) for one, kind in study.streams_of(session)
        ]
        rows = pd.concat([each[table.names] for each in parts], ignore_index=True)
    elif name == "aligned":
        rows = pd.read_parquet(tables.path(study.results, name, session))
    else:
        path = tables.path(study.results, name, session)
        rows = tables.read(path if path.exists() else tables.path(study.results, name), name)
    rows = rows[rows["session"] == session] if "session" in rows else rows
    return rows.astype({each: str for each in rows if isinstance(rows[each].dtype, pd.CategoricalDtype)})


def drawn(rows: pd.DataFrame, rng: np.random.Generator) -> list[Any]:
    """Return the first two, the last two, some others, and one of each cause, node and joint feature."""
    some = {0, 1, len(rows) - 2, len(rows) - 1, *rng.integers(0, max(len(rows), 1), 3).tolist()}
    for name in {"cause", "extent", "origin", "measure", "node", "rr_status", "status", "feature"} & set(
        rows
    ):
        values = JOINT if name == "feature" else rows[name].dropna().unique()
        of_value = [np.flatnonzero(rows[name] == each) for each in values]
        some |= {int(rng.choice(at)) for at in of_value if len(at)}
    return [rows.iloc[at] for at in sorted(some & set(range(len(rows))))]


@pytest.mark.parametrize("session", ["S1", "mid"])
@pytest.mark.parametrize("name", [name for name in TABLES if name != "ledger"])
def test_counts_of_a_trace_are_those_of_its_row(study: Study, session: str, name: str) -> None:
    rows, rng = rows_of(study, name, session), np.random.default_rng(len(name))
    assert len(rows) or name in EMPTY or (name, session) in {("sent", "mid"), ("cut", "S1")}
    for row in drawn(rows, rng):
        key = {each: str(row[each]) for each in TABLES[name].key}
        of_study = "session" in key or name in ("participants", "flow")
        tree = trace(study, name, key if of_study else {"session": session, **key})
        assert as_json(tree)
        CHECKS.get(name, nothing)(study, session, row, tree)
