"""The day view: what is drawn against plain loops over the samples, and who is answered by the server."""

from __future__ import annotations

import http.client
import json
import socket
import struct
import threading
from collections.abc import Iterator
from http.server import ThreadingHTTPServer
from itertools import pairwise
from typing import Any
from urllib.parse import urlsplit

import numpy as np
import pandas as pd
import pyarrow as arrow
import pytest
from browser import chromium, complaints, contrast, least_contrast, requests, show, texts
from conftest import samples_in, simulated
from hypothesis import given, settings
from hypothesis import strategies as st

from nodeday.cli.main import main
from nodeday.config.study import Study
from nodeday.core import errors
from nodeday.products.viewer import cell
from nodeday.products.viewer.server import serve, url
from nodeday.products.viewer.session import SessionView
from nodeday.products.viewer.window import BIN_NS, Envelope, samples_drawn, silences, spans
from nodeday.storage import samples, tables

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
    near = np.convolve(filled, [1, 1, 1], "same") > 0
    for each, plain in zip(drawn["t"], measured, strict=True):
        if each is not None:
            assert plain != near[round(each / 4)]


def test_spans_and_silences() -> None:
    ms = np.array([0.0, 4, 8, 12, 400, 404])
    assert spans(ms, np.array([0, 1, 1, 0, 0, 1], bool), 4.0) == [(4.0, 12.0), (404.0, 408.0)]
    assert silences(ms, 4.0, -100.0, 500.0) == [(-100.0, 0.0), (16.0, 400.0), (408.0, 500.0)]


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> SessionView:
    folder = simulated(tmp_path_factory.mktemp("dayview") / "study", SCENARIO)
    for name in ("sessions", "nodes", "participants", "events"):
        sheet = folder / "config" / f"{name}.tsv"
        kept = [
            line
            for line in sheet.read_text().splitlines(keepends=True)
            if "S02" not in line and "S03" not in line
        ]
        sheet.write_text("".join(kept).replace("T07:10:00", "T07:02:00"))
    for stage in ("frames", "clock", "loss", "repair", "features", "study"):
        assert main(["stage", stage, SESSION, "--study", str(folder)]) == errors.GOOD
    return SessionView(Study(folder), SESSION)


def test_a_window_is_the_samples_of_the_table(day: SessionView) -> None:
    got = day.window("heart/ecg", 30_000, 34_000, 4000)
    rows = samples_in(day.study, SESSION, "heart", "ecg", "ecg")
    rows = rows[rows.utc_ns.between(day.start_ns + 30_000 * MS, day.start_ns + 34_000 * MS)]
    present = rows[rows.origin != "missing"]
    drawn = [(t, v) for t, v in zip(got["t"], got["value"], strict=True) if t is not None]
    assert len(drawn) == len(present) > 500
    assert np.allclose([t for t, _ in drawn], (present.utc_ns - day.start_ns) / MS, atol=1e-5)
    assert np.allclose([v for _, v in drawn], present.value, atol=1e-6)
    lost = sum(end - start for start, end in got["missing"])
    assert lost == pytest.approx(4 * (rows.origin == "missing").sum(), rel=0.01)


def test_the_whole_session_and_a_part_of_it_agree(day: SessionView) -> None:
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
    outage = [gap for gap in day.description()["gaps"] if gap["to"] - gap["from"] > 15_000]
    assert {gap["node"] for gap in outage} == {"heart", "trunk", "wrist", "ankle", "skin"}


def test_a_window_in_which_a_node_was_off_is_empty(day: SessionView) -> None:
    silent = max(
        day.window("wrist/x", 0, (day.end_ns - day.start_ns) / MS, 500)["silent"],
        key=lambda each: each[1] - each[0],
    )
    got = day.window("wrist/x", silent[0] + 1500, silent[1] - 1500, 500)
    assert (got["t"], got["missing"]) == ([], [])
    assert len(got["silent"]) == 1


def test_a_channel_gets_one_envelope(day: SessionView, monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[Envelope] = []
    over = Envelope.over
    monkeypatch.setattr(Envelope, "over", lambda *span: made.append(over(*span)) or made[-1])
    halved = samples.pieces

    def pieces(*where: Any) -> Iterator[arrow.Table]:
        for piece in halved(*where):
            yield from (piece.slice(0, len(piece) // 2), piece.slice(len(piece) // 2))

    monkeypatch.setattr(samples, "pieces", pieces)
    again = SessionView(day.study, SESSION)
    assert len(made) == len(day.channels)
    for key, envelope in day._envelopes.items():
        for column in vars(envelope):
            assert np.array_equal(vars(envelope)[column], vars(again._envelopes[key])[column], equal_nan=True)


def test_of_equal_holes_the_earlier_are_kept(day: SessionView) -> None:
    """A set of holes has another order in each process; the page must not."""
    gaps = day.description()["gaps"]
    ranked = sorted(gaps, key=lambda gap: (gap["from"] - gap["to"], gap["from"], gap["node"]))
    for most in range(1, len(gaps)):
        kept = sorted(ranked[:most], key=lambda gap: (gap["from"], gap["to"], gap["node"]))
        assert day._worst_gaps(most) == kept


def test_beats_carry_a_rate_only_where_it_counts(day: SessionView) -> None:
    beats = tables.read(tables.path(day.study.results, "beats", SESSION), "beats")
    drawn = day.beats(0, (day.end_ns - day.start_ns) / MS, 4000)
    assert len(drawn["t"]) == len(beats)
    counts = beats.rr_status.isin(["normal", "beat_in_fill", "pause"])
    assert [each is not None for each in drawn["bpm"]] == counts.tolist()
    thin = day.beats(0, (day.end_ns - day.start_ns) / MS, 40)
    rates = [each for each in thin["bpm"] if each is not None]
    assert 55 < min(rates) < max(rates) < 115
    assert None in thin["bpm"]  # the outage


@pytest.fixture(scope="module")
def server(day: SessionView) -> Iterator[ThreadingHTTPServer]:
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
    [
        "",
        "from=0&to=1&points=",
        "from=nan&to=nan&points=100",
        "from=-inf&to=inf&points=1e9",
        "from=5&to=1&points=100",
        "from=0&to=1000&points=100000000",
        "from=0&to=1000&points=-1",
        "from=1e300&to=2e300&points=100",
    ],
)
def test_windows_that_are_none_get_a_sentence(server: ThreadingHTTPServer, query: str) -> None:
    status, body, _ = ask(server, f"{token(server)}window?channel=heart/ecg&{query}")
    assert status == 400
    assert "expected" in json.loads(body)["error"]


@pytest.mark.parametrize(
    "hosts", [(), ("{here}", "evil.example"), ("evil.example", "{here}"), ("127.0.0.1:1",)]
)
def test_a_request_names_this_server_once(server: ThreadingHTTPServer, hosts: tuple[str, ...]) -> None:
    """Written to the socket by hand, since a proper client would not."""
    here = f"127.0.0.1:{server.server_port}"
    lines = [f"GET {token(server)}session HTTP/1.1", *(f"Host: {each.format(here=here)}" for each in hosts)]
    with socket.create_connection(("127.0.0.1", server.server_port), timeout=10) as client:
        client.sendall("\r\n".join([*lines, "Connection: close", "", ""]).encode())
        assert client.recv(100).startswith(b"HTTP/1.1 403 ")


def test_a_silent_client_keeps_nobody_waiting(server: ThreadingHTTPServer) -> None:
    with socket.create_connection(("127.0.0.1", server.server_port), timeout=10) as silent:
        silent.sendall(b"GET ")
        assert ask(server, token(server))[0] == 200


def test_a_reader_who_leaves_is_no_fault(
    server: ThreadingHTTPServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    faults: list[Any] = []
    monkeypatch.setattr(server, "handle_error", lambda _, client: faults.append(client))
    before = set(threading.enumerate())
    with socket.create_connection(("127.0.0.1", server.server_port)) as reader:
        assert ask(server, "/")[0] == 403  # the reader's request is being waited for by now
        reader.sendall(b"GET / HTTP/1.1\r\n")
        reader.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        answering = set(threading.enumerate()) - before
    for thread in answering:
        thread.join(10)
    assert answering
    assert faults == []


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
    day: SessionView, server: ThreadingHTTPServer, capsys: pytest.CaptureFixture[str]
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


# A cell of a table on the time axis


def test_a_cell_has_the_span_of_its_row(day: SessionView) -> None:
    """Against the tables themselves: an epoch, a beat, a minute of loss, a frame and a gap."""

    def read(name: str) -> pd.DataFrame:
        return tables.read(tables.path(day.study.results, name, SESSION), name)

    epochs, beats, gaps = (read(name) for name in ("epochs", "beats", "gaps"))
    samples = samples_in(day.study, SESSION, "heart", "ecg")
    row = epochs[(epochs["node"] == "heart") & (epochs["feature"] == "rmssd_ms")].iloc[2]
    got = cell.span_of(day, f"epochs node=heart epoch={row['epoch']} feature=rmssd_ms")
    assert got["from"] == pytest.approx((row["start_ns"] - day.start_ns) / MS)
    assert got["to"] == pytest.approx((row["end_ns"] - day.start_ns) / MS)
    assert got["node"] == "heart"
    beat = beats.iloc[5]
    got = cell.span_of(day, f"beats session={SESSION} node=heart utc_ns={beat['utc_ns']}")
    assert got["from"] == got["to"] == pytest.approx((beat["utc_ns"] - day.start_ns) / MS)
    gap = gaps[(gaps["node"] == "heart") & (gaps["frames"] == 3)].iloc[0]
    got = cell.span_of(day, f"gaps node=heart boot={gap['boot']} seq_from={gap['seq_from']}")
    lost = samples[(samples["seq"] >= gap["seq_from"]) & (samples["seq"] < gap["seq_to"])]
    assert got["from"] == pytest.approx((lost["utc_ns"].min() - day.start_ns) / MS)
    assert got["to"] == pytest.approx((lost["utc_ns"].max() - day.start_ns) / MS)
    one = samples.iloc[777]
    got = cell.span_of(day, f"samples node=heart boot=0 seq={one['seq']} position={one['position']}")
    assert got["from"] == got["to"] == pytest.approx((one["utc_ns"] - day.start_ns) / MS)
    phase = cell.span_of(day, "phases phase=harvest")
    noted = pd.Timestamp("2026-07-14T07:02:00", tz="Europe/Madrid").value
    assert phase["from"] == pytest.approx((noted - day.start_ns) / MS)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "no table"),
        ("epoch node=heart", "no table epoch; expected one of frames"),
        ("epochs node", "key node; expected NAME=VALUE"),
        ("epochs node=heart", "rows with node heart"),
        ("epochs node=heart epoch=99999", "no row with"),
        ("epochs session=S99 node=heart", "the view shows S01-clean"),
        ("radio node=heart", "a row of radio has no instant"),
    ],
)
def test_a_cell_that_is_none_gets_a_sentence(day: SessionView, text: str, sentence: str) -> None:
    with pytest.raises(errors.SettingsError, match=sentence):
        cell.span_of(day, text)


def test_the_command_refuses_a_wrong_cell(day: SessionView, capsys: pytest.CaptureFixture[str]) -> None:
    command = ["view", SESSION, "--study", str(day.study.root), "--no-browser"]
    assert main([*command, "--cell", "epochs", "node=nose"]) == errors.USAGE
    assert "no row with node nose" in capsys.readouterr().err


# In real Chromium


@pytest.fixture(scope="module")
def driver(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    with chromium(tmp_path_factory.mktemp("profile")) as one:
        yield one


@pytest.fixture
def browser(driver: Any, server: ThreadingHTTPServer) -> Iterator[Any]:
    """The day view at its whole session. Afterwards: only this server was asked, and nothing complained."""
    driver.get("about:blank")
    requests(driver), complaints(driver)
    driver.get(url(server))
    drawn(driver, 0)
    yield driver
    asked = {each for each in requests(driver) if not each.startswith(("data:", "blob:"))}
    assert {urlsplit(each).netloc for each in asked} <= {f"127.0.0.1:{server.server_port}", ""}
    assert complaints(driver) == []


def drawn(driver: Any, before: int) -> int:
    """Wait until a drawing later than ``before`` is done; its number."""
    wait = pytest.importorskip("selenium.webdriver.support.ui").WebDriverWait(driver, 30, 0.05)
    read = "return Number(document.body.dataset.drawn || 0)"
    return int(wait.until(lambda one: (n := one.execute_script(read)) > before and n))


def coloured(driver: Any) -> None:
    """Wait until the newest drawing is done, in the ink of the scheme shown.

    Not for a change of drawing: two schemes within one frame of the screen are no change to the page.
    """
    wait = pytest.importorskip("selenium.webdriver.support.ui").WebDriverWait(driver, 30, 0.05)
    done = 'return Number(document.body.dataset.drawn) === turn && plot.layout.font.color === colour("ink")'
    wait.until(lambda one: one.execute_script(done))


def window(driver: Any) -> tuple[float, float]:
    """Window that the page names, which is that of the plot: ms after the session's start."""
    named, shown = driver.execute_script(
        "return [window_, plot.layout.xaxis.range.map((each) => parse(each) - date(0))]"
    )
    assert shown == pytest.approx(named, abs=1)
    return float(named[0]), float(named[1])


def press(driver: Any, key: str) -> None:
    """A key, and the drawing that follows."""
    before = drawn(driver, 0)
    driver.find_element("tag name", "body").send_keys(key)
    drawn(driver, before)


def test_every_panel_is_drawn(browser: Any, day: SessionView) -> None:
    text = browser.find_element("id", "plot").text
    assert all(name in text for name in ("heart", "trunk", "wrist", "ankle", "skin"))
    assert window(browser) == pytest.approx((0, (day.end_ns - day.start_ns) / MS))


def test_keys_zoom_from_the_session_to_a_heartbeat(browser: Any) -> None:
    before = window(browser)
    press(browser, "+")
    closer = window(browser)
    assert closer[1] - closer[0] == pytest.approx((before[1] - before[0]) / 2)
    assert sum(closer) == pytest.approx(sum(before))
    press(browser, "b")
    assert np.diff(window(browser)) == pytest.approx(3000)
    dots = browser.execute_script("return plot.data.filter((each) => each.mode === 'lines+markers').length")
    assert dots > 0  # single samples
    press(browser, "0")
    assert window(browser) == pytest.approx(before)


def test_the_wheel_zooms_around_the_pointer(browser: Any) -> None:
    action = pytest.importorskip("selenium.webdriver.common.action_chains").ActionChains(browser)
    origin = pytest.importorskip("selenium.webdriver.common.actions.wheel_input").ScrollOrigin
    before, turn = window(browser), drawn(browser, 0)
    panel = browser.find_element("css selector", "#plot .nsewdrag")
    action.scroll_from_origin(origin.from_element(panel), 0, -300).perform()
    drawn(browser, turn)
    after = window(browser)
    assert after[1] - after[0] < 0.97 * (before[1] - before[0])


def test_n_steps_from_hole_to_hole(browser: Any, day: SessionView) -> None:
    gaps = day.description()["gaps"]
    before = drawn(browser, 0)
    browser.execute_script("move(0, 3000)")
    drawn(browser, before)
    seen = []
    for _ in range(3):
        press(browser, "n")
        left, right = window(browser)
        middle = (left + right) / 2
        inside = [
            gap
            for gap in gaps
            if gap["from"] >= left - 1
            and gap["to"] <= right + 1
            and abs((gap["from"] + gap["to"]) / 2 - middle) < 1
        ]
        assert inside, (left, right)
        seen.append(middle)
    assert seen == sorted(set(seen))
    press(browser, "p")
    assert sum(window(browser)) / 2 == pytest.approx(seen[-2], abs=1)


def test_a_phase_fills_the_window(browser: Any, day: SessionView) -> None:
    phase = next(each for each in day.description()["phases"] if each["phase"] == "harvest")
    select = pytest.importorskip("selenium.webdriver.support.ui").Select(browser.find_element("id", "phase"))
    before = drawn(browser, 0)
    select.select_by_visible_text("harvest")
    drawn(browser, before)
    assert window(browser) == pytest.approx((phase["from"], phase["to"]), abs=1)


def test_a_traced_cell_is_found_and_marked(
    browser: Any, day: SessionView, server: ThreadingHTTPServer
) -> None:
    keys = pytest.importorskip("selenium.webdriver.common.keys").Keys
    text = "epochs node=heart epoch=3 feature=heart_rate_bpm"
    span = cell.span_of(day, text)
    before = drawn(browser, 0)
    browser.find_element("id", "cell").send_keys(text + keys.ENTER)
    drawn(browser, before)
    left, right = window(browser)
    assert left <= span["from"] < span["to"] <= right
    assert right - left < 2 * (span["to"] - span["from"])
    assert browser.find_element("id", "marked").text == f"Marked: {text}"
    shape = browser.execute_script("return [0, 1].map((k) => plot.layout.shapes[0][`x${k}`] - date(0))")
    assert shape == pytest.approx([span["from"], span["to"]])
    address = browser.current_url
    browser.get("about:blank")
    browser.get(address)  # as a link that somebody kept
    drawn(browser, 1)
    assert browser.execute_script("return plot.layout.shapes.length") == 1
    assert window(browser) == pytest.approx((left, right), abs=1)


def test_a_wrong_cell_or_time_is_refused(driver: Any, server: ThreadingHTTPServer) -> None:
    """The browser itself notes the refused request, so the console is not asked here."""
    keys = pytest.importorskip("selenium.webdriver.common.keys").Keys
    driver.get(url(server))
    drawn(driver, 0)
    wait = pytest.importorskip("selenium.webdriver.support.ui").WebDriverWait(driver, 10, 0.05)
    wrong = (("cell", "epochs node=nose", "no row with node nose"), ("goto", "noon", "09:30"))
    for name, typed, sentence in wrong:
        driver.find_element("id", name).send_keys(typed + keys.ENTER)
        wait.until(lambda one, sentence=sentence: sentence in one.find_element("id", "trouble").text)
    complaints(driver)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_view_can_be_read_in_both_themes(browser: Any, scheme: str) -> None:
    show(browser, "dark" if scheme == "light" else "light")
    coloured(browser)
    show(browser, scheme)
    coloured(browser)  # the plot takes its colours anew
    found = texts(browser)
    faint = [
        (text, round(contrast(ink, under), 2))
        for text, ink, under, size, bold in found
        if contrast(ink, under) < least_contrast(size, bold)
    ]
    show(browser)
    assert faint == []


def test_every_control_is_reached_by_tab(browser: Any) -> None:
    keys = pytest.importorskip("selenium.webdriver.common.keys").Keys
    seen = []
    for _ in range(9):
        browser.switch_to.active_element.send_keys(keys.TAB)
        name, style = browser.execute_script(
            "const at = document.activeElement; return [at.id, getComputedStyle(at).outlineStyle]"
        )
        assert style == "solid", name
        seen.append(name)
    assert seen == ["whole", "out", "in", "beat", "before", "next", "phase", "cell", "goto"]
