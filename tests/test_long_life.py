"""Long captures and odd calendars: days of wraps, leap seconds, summer time, hosts without a clock.

The captures are encoded here, frame by frame of the demo's firmware at a low rate, so that the truth of each
frame is known: its place in time, its numbers before they wrap, and whether it was lost.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from conftest import stored
from numpy.typing import NDArray

from nodeday.cli.main import main
from nodeday.config.study import Study
from nodeday.core.errors import GOOD
from nodeday.layouts import Layout, encode_frames, pack_counts
from nodeday.storage.samples import read as read_samples

ROOT = Path(__file__).parents[1]
BELTFRAME = (ROOT / "config" / "layouts" / "beltframe.yaml").read_text()
SECOND, DAY_S = 1_000_000_000, 86_400
TICK_HZ, PPM = 32_768, 35.0
NODES = "session\tnode\taddress\tplacement\n*\thub\t0\thub\n*\tskin\t20\tarm\n"
STUDY = (
    "study: trial\nzone: Europe/Madrid\ngrid: {rate_hz: 1}\nfill: {temp: {method: linear, max_ms: 9000}}\n"
)
STAGES = ("frames", "clock", "loss", "repair", "features")
Host = Callable[[NDArray[np.float64]], NDArray[np.float64]]
"""How far a host's clock is ahead of UTC, in seconds, at seconds since the start."""


@dataclass(frozen=True)
class Sent:
    """Frames of the skin node, (n,): UTC of their stamped (last) sample and whether they arrived."""

    utc_ns: NDArray[np.int64]
    received: NDArray[np.bool_]


def ns(text: str) -> int:
    since = datetime.fromisoformat(text) - datetime.fromisoformat("1970-01-01T00:00:00Z")
    return (since.days * DAY_S + since.seconds) * SECOND


def on_time(seconds: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.zeros(len(seconds))


def capture(layout: Layout, start_ns: int, seconds: int, loss: float, host: Host) -> tuple[bytes, Sent]:
    """A hub's bytes: a frame of four samples each four seconds, a host mark each ten."""
    rng = np.random.default_rng(3)
    temp, mark = layout.stream("temp"), layout.stream("mark")
    stamp = layout.field("hub_time")
    assert stamp is not None
    unit_ns = stamp.unit_ns or 1

    def hub(at_s: NDArray[np.float64]) -> NDArray[np.int64]:
        return np.floor((at_s + 500.0) * (1 + 4e-6) * SECOND / unit_ns).astype(np.int64)

    at = np.arange(7.0, seconds, 4.0)
    number = np.arange(len(at))
    received = rng.random(len(at)) >= loss
    received[seconds // 8 : seconds // 8 + 30] = False  # two minutes without a frame
    received[[0, 1, -1]] = True
    ticks = np.rint(at * TICK_HZ * (1 + PPM * 1e-6)).astype(np.int64) + 5_000
    counts = np.rint(3300 + 100 * np.sin(at[:, None] / 3600 + np.arange(4) / 9)).astype(np.int64)
    payload = pack_counts(counts[:, :, None], temp)
    heard = hub(at + 0.003 + rng.exponential(0.002, len(at)))
    fields = {"node": 20, "sequence": number, "ticks": ticks, "hub_time": heard, "boot": 1, "battery": 190}
    own = encode_frames(layout, temp, fields, payload)
    when = np.arange(1.0, seconds, 9.973)
    said = when + rng.exponential(0.001, len(when))  # a host answers late, never early
    utc = start_ns // 10**6 + np.ceil((said + host(when)) * 1e3).astype(np.int64)
    marks = encode_frames(
        layout,
        mark,
        {
            "node": 0,
            "sequence": np.arange(len(when)),
            "utc": utc,
            "ticks": np.rint(when * TICK_HZ).astype(np.int64),
            "hub_time": hub(when),
            "boot": 1,
        },
    )
    order = np.argsort(np.concatenate([at[received] + 0.01, when]), kind="stable")
    frames = [*map(bytes, own[received]), *map(bytes, marks)]
    raw = b"".join(frames[each] for each in order.tolist())
    return raw, Sent(start_ns + np.rint(at * 1e9).astype(np.int64), received)


def run(
    study_folder: Callable[..., Path],
    start: str,
    seconds: int,
    *,
    loss: float = 0.02,
    host: Host = on_time,
    layout: str = BELTFRAME,
    **files: str,
) -> tuple[Study, Sent]:
    """A study whose session's stages all ran, and the truth of its capture."""
    folder = study_folder(**{"study.yaml": STUDY, "nodes.tsv": NODES, **files})
    (folder / "config" / "layouts" / "beltframe.yaml").write_text(layout)
    study = Study(folder)
    raw, sent = capture(study.layout_of("S1"), ns(start), seconds, loss, host)
    (folder / "captures" / "S1.bin").write_bytes(raw)
    for stage in STAGES:
        assert main(["stage", stage, "S1", "--study", str(folder)]) == GOOD
    return study, sent


def table(study: Study, name: str) -> pd.DataFrame:
    return stored(study.results, name, "S1")


def check(study: Study, sent: Sent, within_ms: float = 1.5) -> None:
    """Each frame in its place, each lost one counted, each sample at its time."""
    frames = table(study, "frames")
    own = frames[frames["node"] == "skin"]
    place = np.flatnonzero(sent.received)
    assert (own["status"] == "good").all()
    assert (own["boot"] == own["boot"].iloc[0]).all()
    assert ((own["seq"] - own["seq"].iloc[0]).to_numpy() == place - place[0]).all()
    gaps = table(study, "gaps")
    assert gaps.loc[gaps["node"] == "skin", "frames"].sum() == (~sent.received).sum()
    assert (gaps["extent"] == "known").all()
    kind = study.layout_of("S1").stream("temp")
    samples = read_samples(study.results, "S1", "skin", kind)
    assert len(samples) == 4 * len(sent.utc_ns)
    assert (samples["origin"] == "measured").sum() == 4 * sent.received.sum()
    last = samples[samples["position"] == 3]
    error = (last["utc_ns"].to_numpy() - sent.utc_ns) / 1e6
    assert np.abs(error).max() < within_ms
    assert (np.diff(samples["utc_ns"]) > 0).all()


SLOW = BELTFRAME.replace("role: ticks, bits: 24", "role: ticks, bits: 32").replace(
    "unit_ns: 1000000}", "unit_ns: 100000}", 1
)
"""Ticks of 32 bits wrap after 36 hours, hub stamps of 32 bits and 0.1 ms after five days."""


@pytest.mark.parametrize(("layout", "wraps"), [(BELTFRAME, 1181), (SLOW, 4)])
def test_seven_days(study_folder: Callable[..., Path], layout: str, wraps: int) -> None:
    """151,198 frames whose numbers wrap 590 times, and whose ticks wrap hundreds of times or slowly."""
    study, sent = run(study_folder, "2026-07-01T05:00:00Z", 7 * DAY_S, layout=layout)
    frames = table(study, "frames")
    own = frames[frames["node"] == "skin"]
    assert (np.diff(own["ticks_raw"]) < 0).sum() == wraps
    assert (np.diff(own["seq_raw"]) < 0).sum() == 590
    assert np.ptp(own["ticks"]) / TICK_HZ == pytest.approx(7 * DAY_S, rel=1e-3)
    if layout == SLOW:
        assert frames["hub_ns"].max() > (1 << 32) * 100_000  # past the wrap of its stamps
    check(study, sent)


@pytest.mark.parametrize(
    "start",
    [
        "1970-01-01T00:00:00Z",  # a host that was never set; the hub counted before its first mark
        "2099-12-31T23:30:00Z",
        "2026-03-29T00:30:00Z",  # in Madrid 02:00 becomes 03:00
        "2026-10-25T00:30:00Z",  # in Madrid 03:00 becomes 02:00
        "2038-01-19T02:50:00Z",  # seconds in 31 bits end
    ],
)
def test_any_calendar(study_folder: Callable[..., Path], start: str) -> None:
    study, sent = run(study_folder, start, 2400)
    check(study, sent)
    assert table(study, "steps").empty
    epochs = table(study, "epochs")
    assert (np.diff(np.unique(epochs["start_ns"])) == 30 * SECOND).all()
    assert epochs["start_ns"].min() <= sent.utc_ns[0] < epochs["end_ns"].max()


@pytest.mark.parametrize(("day", "local_hours"), [("2026-03-29", 4), ("2026-10-25", 2)])
def test_a_note_across_a_change_of_summer_time(
    study_folder: Callable[..., Path], day: str, local_hours: int
) -> None:
    """From half past one for three hours of UTC: by the wall clock four in spring and two in autumn."""
    events = f"session\tphase\tstart\tend\nS1\twork\t{day}T01:30\t{day}T{1 + local_hours:02}:30\n"
    study = Study(study_folder(**{"events.tsv": events}))
    ((_, start_ns, end_ns),) = study.phases_of("S1")
    assert end_ns is not None
    assert end_ns - start_ns == 3 * 3600 * SECOND


def test_a_leap_second(study_folder: Callable[..., Path]) -> None:
    """2016-12-31 had 86,401 seconds; a host that counts by POSIX says 23:59:59 twice. The clock is told to
    have been put back, the longer part is believed, and the shorter one's band is a second wide."""

    def host(seconds: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.where(seconds >= 600, -1.0, 0.0)

    study, sent = run(study_folder, "2016-12-31T23:50:00Z", 3600, host=host)
    steps = table(study, "steps")
    assert steps[["node", "kind"]].astype(str).to_numpy().tolist() == [["hub", "host_step"]]
    assert steps["size_ms"].iloc[0] == pytest.approx(-1000, abs=5)
    _moved(study, sent, -1.0, 600)


def test_a_host_clock_that_jumps_an_hour_back(study_folder: Callable[..., Path]) -> None:
    """Somebody corrects the logger's time zone by hand. Nobody can tell which hour was right: the longer
    part is believed, the shorter one's band is an hour wide, and nothing is lost or counted twice."""

    def host(seconds: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.where(seconds >= 1800, -3600.0, 0.0)

    study, sent = run(study_folder, "2026-07-01T05:00:00Z", 7200, host=host)
    steps = table(study, "steps")
    assert steps[["node", "kind"]].astype(str).to_numpy().tolist() == [["hub", "host_step"]]
    assert steps["size_ms"].iloc[0] == pytest.approx(-3_600_000, abs=5)
    assert (steps["utc_ns"].iloc[0] - sent.utc_ns[0]) / 1e9 + 3600 == pytest.approx(1793, abs=11)
    _moved(study, sent, -3600.0, 1800)


def _moved(study: Study, sent: Sent, by_s: float, at_s: int) -> None:
    """All lies on the later part's clock; the earlier part says by how much it may be off."""
    check(study, Sent(sent.utc_ns + round(by_s * SECOND), sent.received))
    knots = table(study, "clock")
    since = (knots["utc_ns"] - sent.utc_ns[0]) / 1e9 - by_s
    assert (knots.loc[since < at_s - 60, "uncertainty_ms"] >= 1e3 * abs(by_s) - 10).all()
    assert (knots.loc[since > at_s + 60, "uncertainty_ms"] < 10).all()
