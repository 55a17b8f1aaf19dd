"""The day view: what is drawn against plain loops over the samples, and who is answered by the server."""

from __future__ import annotations

import http.client
import json
import shutil
import subprocess
import threading
from collections.abc import Iterator
from http.server import ThreadingHTTPServer
from itertools import pairwise
from typing import Any
from urllib.parse import urlsplit

import numpy as np
import pandas as pd
import pytest
from conftest import samples_in, simulated
from hypothesis import given, settings
from hypothesis import strategies as st

from nodeday import errors, tables
from nodeday.cli import main
from nodeday.dayview.server import serve, url
from nodeday.dayview.session import Day
from nodeday.dayview.window import BIN_NS, Envelope, samples_drawn, silences, spans
from nodeday.settings import Study

SESSION = "S01-clean"
SCENARIO = """
seed: 5
sessions:
  S01-clean:
    start: 2026-07-14T05:00:00Z
    phases: [{phase: rest, minutes: 2, bpm: 64}, {phase: harvest, minutes: 2, bpm: 100, gait: 0.6}]
    channel: {loss: 0.1, burst: 4}
    outages: [{at_min: 1.5, minutes: 0.3}]
    restarts: [{node: wrist, at_min: 2.5, silent_s: 6}]
"""
MS = 1_000_000


def test_an_envelope_is_what_a_loop_over_the_bins_gives() -> None:
    rng = np.random.default_rng(1)
    utc = np.sort(rng.integers(0, 40 * BIN_NS, 500))
    value, state = rng.normal(size=500), rng.integers(0, 3, 500)
    one = Envelope.over(0, 40 * BIN_NS)
    for part in np.array_split(np.arange(500), 7):  # in pieces as a day comes
        one.add(utc[part], value[part], state[part] == 1, state[part] == 2)
    drawn = one.drawn(3 * BIN_NS, 38 * BIN_NS, 9)
    step = round((drawn["t"][1] - drawn["t"][0]) * MS / BIN_NS)
    assert len(drawn["t"]) <= 9
    for at, start_ms in enumerate(drawn["t"]):
        first = round(start_ms * MS / BIN_NS)
        inside = (utc // BIN_NS >= first) & (utc // BIN_NS < min(first + step, 39))
        got = value[inside & (state == 0)]
        assert drawn["low"][at] == (pytest.approx(got.min(), abs=1e-6) if len(got) else None)
        assert drawn["high"][at] == (pytest.approx(got.max(), abs=1e-6) if len(got) else None)
        assert drawn["missing"][at] == pytest.approx(
            (state[inside] == 2).mean() if inside.any() else 0, abs=1e-4
        )
        assert drawn["filled"][at] == pytest.approx(
            (state[inside] == 1).mean() if inside.any() else 0, abs=1e-4
        )


@settings(deadline=None, max_examples=60)
@given(seed=st.integers(0, 2**32), n=st.integers(3, 3000), points=st.integers(20, 400))
def test_a_line_never_crosses_missing_samples(seed: int, n: int, points: int) -> None:
    rng = np.random.default_rng(seed)
    ms, value = np.arange(n) * 4.0, rng.normal(size=n)
    missing = np.repeat(rng.random(n // 3 + 1) < 0.1, 3)[:n]
    filled = ~missing & (rng.random(n) < 0.05)
    drawn = samples_drawn(ms, value, filled, missing, points)
    t = [np.nan if each is None else each for each in drawn["t"]]
    holes = ms[missing]
    for before, after in pairwise(t):
        if not (np.isnan(before) or np.isnan(after)):
            assert not ((holes > before) & (holes < after)).any()
    kept = np.array([each for each in drawn["t"] if each is not None])
    assert not np.isin(kept, holes).any()
    if (~missing).sum() > points >= 20 and not missing.any():
        assert ms[value.argmax()] in kept  # the highest peak is never thinned out
    measured = np.array([each is None for each in drawn["fill"]])
    beside = np.convolve(filled, [1, 1, 1], "same") > 0
    for each, plain in zip(drawn["t"], measured, strict=True):
        if each is not None:
            assert plain != beside[round(each / 4)]


def test_spans_and_silences() -> None:
    ms = np.array([0.0, 4, 8, 12, 400, 404])
    assert spans(ms, np.array([0, 1, 1, 0, 0, 1], bool), 4.0) == [(4.0, 12.0), (404.0, 408.0)]
    assert silences(ms, 4.0, -100.0, 500.0) == [(-100.0, 0.0), (16.0, 400.0), (408.0, 500.0)]


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Day:
    folder = simulated(tmp_path_factory.mktemp("dayview") / "study", SCENARIO)
    for name in ("sessions", "nodes", "participants", "events"):
        sheet = folder / "config" / f"{name}.tsv"
        kept = [
            line
            for line in sheet.read_text().splitlines(keepends=True)
            if "S02" not in line and "S03" not in line
        ]
        sheet.write_text("".join(kept))
    for room in ("frames", "loss", "clock", "repair", "features", "study"):
        assert main(["room", room, SESSION, "--study", str(folder)]) == errors.GOOD
    return Day(Study(folder), SESSION)


def test_a_window_is_the_samples_of_the_table(day: Day) -> None:
    got = day.window("heart/ecg", 30_000, 34_000, 4000)
    rows = samples_in(day.study, SESSION, "heart", "ecg", "ecg")
    rows = rows[rows.utc_ns.between(day.start_ns + 30_000 * MS, day.start_ns + 34_000 * MS)]
    there = rows[rows.origin != "missing"]
    drawn = [(t, v) for t, v in zip(got["t"], got["value"], strict=True) if t is not None]
    assert len(drawn) == len(there) > 500
    assert np.allclose([t for t, _ in drawn], (there.utc_ns - day.start_ns) / MS, atol=1e-5)
    assert np.allclose([v for _, v in drawn], there.value, atol=1e-6)
    lost = sum(end - start for start, end in got["missing"])
    assert lost == pytest.approx(4 * (rows.origin == "missing").sum(), rel=0.01)


def test_the_whole_session_and_a_part_of_it_agree(day: Day) -> None:
    length = (day.end_ns - day.start_ns) / MS
    for channel in day.channels.values():
        envelope = day._envelopes[channel.node, channel.channel]
        rows = samples_in(day.study, SESSION, channel.node, channel.stream, channel.channel)
        got = rows[rows.origin.isin(["measured", "recovered"])]
        assert envelope.received.sum() == len(got)
        assert envelope.missing.sum() == (rows.origin == "missing").sum()
        drawn = envelope.drawn(day.start_ns, day.end_ns, 50)
        assert max(v for v in drawn["high"] if v is not None) == pytest.approx(got.value.max(), abs=1e-6)
        assert day.window(channel.key, 0, length, 500)["t"]
    silent = day.window("wrist/x", 0, length, 500)["silent"]
    assert any(5_000 < end - start < 8_000 for start, end in silent)  # the restart's 6 s
    outage = [gap for gap in day.described()["gaps"] if gap["to"] - gap["from"] > 15_000]
    assert {gap["node"] for gap in outage} == {"heart", "trunk", "wrist", "ankle", "skin"}


def test_beats_carry_a_rate_only_where_it_counts(day: Day) -> None:
    beats = tables.read(tables.path(day.study.results, "beats", SESSION), "beats")
    drawn = day.beats(0, (day.end_ns - day.start_ns) / MS, 4000)
    assert len(drawn["t"]) == len(beats)
    counts = beats.rr_status.isin(["normal", "beat_in_fill"])
    assert [each is not None for each in drawn["bpm"]] == counts.tolist()
    thin = day.beats(0, (day.end_ns - day.start_ns) / MS, 40)
    there = [each for each in thin["bpm"] if each is not None]
    assert 55 < min(there) < max(there) < 115
    assert None in thin["bpm"]  # the outage


@pytest.fixture(scope="module")
def server(day: Day) -> Iterator[ThreadingHTTPServer]:
    one = serve(day)
    thread = threading.Thread(target=one.serve_forever)
    thread.start()
    yield one
    one.shutdown()
    one.server_close()
    thread.join()


def ask(server: ThreadingHTTPServer, path: str, **headers: str) -> tuple[int, bytes, Any]:
    connection = http.client.HTTPConnection("127.0.0.1", server.server_port, timeout=10)
    connection.request("GET", path, headers=headers)
    answer = connection.getresponse()
    body = answer.read()
    connection.close()
    return answer.status, body, answer.headers


def token(server: ThreadingHTTPServer) -> str:
    return urlsplit(url(server)).path


def test_the_page_and_its_data_are_served(server: ThreadingHTTPServer) -> None:
    at = token(server)
    status, page, headers = ask(server, at)
    assert status == 200
    assert b"view.js" in page
    assert "default-src 'none'" in headers["Content-Security-Policy"]
    for name in ("view.js", "view.css", "plot.js"):
        assert ask(server, at + name)[0] == 200
    status, body, _ = ask(server, f"{at}window?channel=heart/ecg&from=0&to=1000&points=500")
    assert status == 200
    assert json.loads(body)["form"] == "samples"


def test_only_the_loopback_address_is_listened_on(server: ThreadingHTTPServer) -> None:
    assert server.server_address[0] == "127.0.0.1"


@pytest.mark.parametrize(
    ("path", "headers"),
    [
        ("/", {}),
        ("/session", {}),
        ("/wrong-token/session", {}),
        ("{token}session", {"Host": "evil.example"}),  # a name that resolves to this machine
        ("{token}session", {"Origin": "http://evil.example"}),
        ("{token}session", {"Origin": "null"}),
    ],
)
def test_strangers_are_refused(server: ThreadingHTTPServer, path: str, headers: dict[str, str]) -> None:
    status, body, _ = ask(server, path.format(token=token(server)), **headers)
    assert (status, body) == (403, b'{"error": "not from here"}')


@pytest.mark.parametrize(
    "name",
    ["../config/study.yaml", "..%2f..%2fetc/passwd", "/etc/passwd", "server.py", "page.html/..", "%00"],
)
def test_no_path_leads_to_a_file(server: ThreadingHTTPServer, name: str) -> None:
    assert ask(server, token(server) + name)[0] == 404


@pytest.mark.parametrize(
    "query",
    ["", "from=0&to=1&points=", "from=nan&to=nan&points=100", "from=-inf&to=inf&points=1e9",
     "from=5&to=1&points=100", "from=0&to=1000&points=100000000", "from=0&to=1000&points=-1",
     "from=1e300&to=2e300&points=100"],
)  # fmt: skip
def test_windows_that_are_none_get_a_sentence(server: ThreadingHTTPServer, query: str) -> None:
    status, body, _ = ask(server, f"{token(server)}window?channel=heart/ecg&{query}")
    assert status == 400
    assert "expected" in json.loads(body)["error"]


def test_a_long_path_and_an_unknown_channel(server: ThreadingHTTPServer) -> None:
    assert ask(server, token(server) + "x" * 3000)[0] == 414
    status, body, _ = ask(server, f"{token(server)}window?channel=nose/x&from=0&to=9&points=100")
    assert status == 400
    assert json.loads(body)["error"].startswith("no channel nose/x; expected one of heart/ecg")


def test_only_reading_is_possible(server: ThreadingHTTPServer) -> None:
    connection = http.client.HTTPConnection("127.0.0.1", server.server_port, timeout=10)
    connection.request("POST", token(server) + "session", body=b"{}")
    assert connection.getresponse().status == 501
    connection.close()


def test_a_taken_port_and_instants_outside(
    day: Day, server: ThreadingHTTPServer, capsys: pytest.CaptureFixture[str]
) -> None:
    command = ["view", SESSION, "--study", str(day.study.root), "--no-browser"]
    assert main([*command, "--port", str(server.server_port)]) == errors.USAGE
    assert f"port {server.server_port} cannot be had" in capsys.readouterr().err
    for text, sentence in (
        ("yesterday-ish", "is no instant"),
        ("2026-07-14T23:00", "is outside the session"),
    ):
        assert main([*command, "--at", text]) == errors.USAGE
        assert sentence in capsys.readouterr().err
    assert main(["view", "S99", "--study", str(day.study.root)]) == errors.USAGE


@pytest.mark.skipif(shutil.which("chromium") is None, reason="no Chromium on this machine")
def test_the_page_draws_in_a_browser(server: ThreadingHTTPServer, day: Day) -> None:
    """In real Chromium: every panel is drawn, and the page has nothing to complain of."""
    done = subprocess.run(
        ["chromium", "--headless", "--no-sandbox", "--disable-gpu", "--virtual-time-budget=20000",
         "--enable-logging=stderr", "--dump-dom", f"{url(server)}#from=30000&to=34000"],
        capture_output=True, text=True, timeout=120, check=True,
    )  # fmt: skip
    assert "data-drawn" in done.stdout
    assert (
        pd.Series(["heart", "trunk", "wrist", "ankle", "skin"])
        .map(lambda name: f">{name}<" in done.stdout)
        .all()
    )
    complaints = [line for line in done.stderr.splitlines() if "CONSOLE" in line]
    assert not complaints, complaints
