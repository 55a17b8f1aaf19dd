"""`nodeday layout check`: a layout in words, and what a capture measures against it."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import made_captures
import numpy as np
import pytest
import yaml

from nodeday.cli.main import main
from nodeday.config.study import Study
from nodeday.core import errors
from nodeday.layouts import Layout, encode_frames, load_layout
from nodeday.layouts.explain import false_frames
from nodeday.stages.frames.survey import survey
from nodeday.stages.simulate.scenario import random_scenario
from nodeday.stages.simulate.session import simulate_session

PROJECT = Path(__file__).parents[1]
FILE = PROJECT / "config" / "layouts" / "beltframe.yaml"


@pytest.fixture(scope="module")
def capture(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, int]:
    """A short simulated capture, and how many whole copies of frames it truly holds."""
    raw, truth = simulate_session(random_scenario(5), load_layout(FILE), Study(PROJECT).nodes_of("S01-clean"))
    path = tmp_path_factory.mktemp("capture") / "one.bin"
    path.write_bytes(raw)
    copies = sum(int(each.received.sum()) for each in truth.streams.values())
    return path, copies + sum(truth.duplicates.values())


def test_every_field_has_its_place(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["layout", "check", str(FILE)]) == errors.GOOD
    out = capsys.readouterr().out
    assert "kind 1, stream ecg: 48 bytes, one each 0.08 s" in out
    assert "     4.4    4 bits  boot" in out
    assert "ticks, 32768 a second, wraps after 512 s" in out  # 2**24 / 2**15
    assert 'of the bytes "123456789" is 29B1' in out  # CRC-16/IBM-3740 of the public catalogue


def test_a_capture_is_counted(capture: tuple[Path, int], capsys: pytest.CaptureFixture[str]) -> None:
    path, copies = capture
    assert main(["layout", "check", str(FILE), str(path)]) == errors.GOOD
    out = capsys.readouterr().out
    assert f"of them in {copies} frames" in out
    assert "address    16  kind   1  ecg" in out


def test_a_capture_that_is_mostly_noise_is_told(
    capture: tuple[Path, int], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    raw = capture[0].read_bytes()
    noise = np.random.default_rng(4).integers(0, 256, 2 * len(raw), np.uint8).tobytes()
    noisy = tmp_path / "noisy.bin"
    noisy.write_bytes(raw + noise)
    assert main(["layout", "check", str(FILE), str(noisy)]) == errors.CONTRACT
    out = capsys.readouterr().out
    assert re.search(r"Only 3\d\.\d % of the bytes are in frames of this layout; expected most of them", out)


def test_a_layout_that_does_not_fit_is_told(
    capture: tuple[Path, int], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    told = yaml.safe_load(FILE.read_text())
    told["sync"] = "D3 92"
    wrong = tmp_path / "wrong.yaml"
    wrong.write_text(yaml.safe_dump(told))
    assert main(["layout", "check", str(wrong), str(capture[0])]) == errors.CONTRACT
    assert "0 % of the bytes are frames of this layout" in capsys.readouterr().err


def test_an_absent_capture_is_one_sentence(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["layout", "check", str(FILE), "nowhere.bin"]) == errors.USAGE
    assert capsys.readouterr().err == "nodeday: nowhere.bin: no such file; expected a capture.\n"


def kind() -> dict[str, Any]:
    channels = [{"name": "x", "unit": "g"}]
    return {"kind": 1, "stream": "acc", "rate_hz": 50, "samples": 4, "bits": 8, "channels": channels}


def weak(**changes: Any) -> Layout:
    """A layout that takes noise for frames often enough to be counted."""
    fields = [
        {"name": "address", "role": "node", "bits": 8},
        {"name": "counter", "role": "sequence", "bits": 8},
        {"name": "ticks", "role": "ticks", "bits": 16, "rate_hz": 1000},
        {"name": "payload", "role": "payload"},
        {"name": "sum", "role": "checksum", "bits": 8, "crc": "CRC-8/SMBUS", "over": ["address", "payload"]},
        {"name": "hub", "role": "hub_time", "bits": 32, "unit_ns": 1000000},
    ]
    return Layout.model_validate(
        {"layout": "weak", "sync": "A5", "frame": fields, "kinds": [kind()], **changes}
    )


def test_false_frames_in_noise_are_as_many_as_said() -> None:
    """Sync word and CRC of 8 bits each: one frame in 2**16 places, so about 61 in 4 MB; five sigma."""
    noise = np.random.default_rng(8).integers(0, 256, 4_000_000, dtype=np.uint8).tobytes()
    expected = false_frames(weak(), addresses=256, noise_bytes=len(noise))
    assert expected == pytest.approx(4e6 / 2**16)
    assert abs(survey([noise], weak()).frames.total() - expected) < 5 * expected**0.5


def test_false_frames_of_common_framings() -> None:
    """16-bit sync word and CRC: 0.233 in 1e9 bytes, worked by hand as 1e9 / 2**32."""
    wider = weak(sync="A5 5A")
    fields = [dict(field.model_dump(exclude_unset=True)) for field in wider.frame]
    fields[4] |= {"bits": 16, "crc": "CRC-16/XMODEM"}
    assert false_frames(weak(sync="A5 5A", frame=fields), addresses=256) == pytest.approx(0.2328, rel=1e-3)


def test_a_checksum_by_its_parameters() -> None:
    """The parameters of CRC-16/XMODEM in the public catalogue; its check value is 31C3."""
    fields = [dict(field.model_dump(exclude_unset=True)) for field in weak().frame]
    fields[4] |= {"bits": 16, "crc": {"width": 16, "poly": 0x1021}}
    one = weak(frame=fields).field("checksum")
    assert one is not None
    assert one.sum.of(b"123456789") == 0x31C3


# --- measured against declared ---------------------------------------------------------------------


def check(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], layouts: list[dict[str, Any]], captures: list[Path]
) -> tuple[int, str]:
    """Exit code and output of a check of layouts and captures; every line fits 80 columns."""
    files = []
    for at, data in enumerate(layouts):
        files.append(tmp_path / f"layout{at}.yaml")
        files[-1].write_text(yaml.safe_dump(data, sort_keys=False))
    capsys.readouterr()
    code = main(["layout", "check", *map(str, files), *map(str, captures)])
    out, err = capsys.readouterr()
    assert not [line for line in out.splitlines() if len(line) > 80]
    assert "Traceback" not in err
    return code, " ".join((out + err).split())


def beltframe() -> dict[str, Any]:
    data: dict[str, Any] = yaml.safe_load(FILE.read_text())
    return data


def test_a_true_layout_agrees_with_its_capture(
    capture: tuple[Path, int], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out = check(tmp_path, capsys, [beltframe()], [capture[0]])
    assert code == errors.GOOD
    assert "Measured and declared agree within 3%." in out


def field(data: dict[str, Any], role: str) -> dict[str, Any]:
    return next(one for one in data["frame"] if one.get("role") == role)


def twice_the_rate(data: dict[str, Any]) -> None:
    data["kinds"][0]["rate_hz"] = 500


def ticks_of_a_watch(data: dict[str, Any]) -> None:
    field(data, "ticks")["rate_hz"] = 1000


def ticks_a_little_fast(data: dict[str, Any]) -> None:
    field(data, "ticks")["rate_hz"] = 32768 * 1.1


def hub_in_microseconds(data: dict[str, Any]) -> None:
    field(data, "hub_time")["unit_ns"] = 1000


def rssi_without_sign(data: dict[str, Any]) -> None:
    field(data, "rssi").update(signed=False, scale=1, offset=0)


def battery_without_scale(data: dict[str, Any]) -> None:
    field(data, "battery").update(scale=1, offset=0)


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (twice_the_rate, "rate_hz 500 and samples 20 say 0.04 s"),
        (ticks_of_a_watch, "ticks a second, and rate_hz says 1000"),
        (ticks_a_little_fast, "ticks a second, and rate_hz says 36044.8"),
        (
            hub_in_microseconds,
            "every pace is off by one factor, 0.001: look at unit_ns of the hub's stamp first",
        ),
        (rssi_without_sign, "dBm in the middle is above 0; look at its scale, offset and sign"),
        (battery_without_scale, "values of battery are outside 0 to 100 V"),
    ],
)
def test_a_layout_that_declares_otherwise_is_refused(
    capture: tuple[Path, int],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    change: Any,
    sentence: str,
) -> None:
    data = beltframe()
    change(data)
    code, out = check(tmp_path, capsys, [data], [capture[0]])
    assert sentence in out
    assert code == errors.CONTRACT


@pytest.mark.parametrize("boot", [False, True])
def test_two_senders_behind_one_address_are_seen(
    boot: bool, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    recording = made_captures.shared_address(boot)
    path = tmp_path / "shared.bin"
    path.write_bytes(recording.capture())
    code, out = check(tmp_path, capsys, [yaml.safe_load(recording.wire.layout("shared"))], [path])
    assert code == errors.CONTRACT
    assert "address 16, stream level: two senders behind one address" in out
    assert "address 17, stream level: two" not in out


@pytest.mark.parametrize("mixed", [False, True])
def test_frames_that_come_late_are_no_second_sender(
    mixed: bool, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    recording = made_captures.store_and_forward(mixed, boot=False)
    path = tmp_path / "late.bin"
    path.write_bytes(recording.capture())
    code, out = check(tmp_path, capsys, [yaml.safe_load(recording.wire.layout("late"))], [path])
    assert code == errors.GOOD, out


def test_several_layouts_are_held_to_one_capture(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two firmwares share a sync word; the rate of the second is wrong by half."""
    rng = np.random.default_rng(3)
    slow = {**kind(), "samples": 8, "stream": "slow"}
    frame = [one.model_dump(exclude_unset=True) for one in weak().frame]
    frame[4] |= {"bits": 16, "crc": "CRC-16/XMODEM"}
    common = {"sync": "A5 5A", "frame": frame}
    layouts = [weak(layout="one", **common), weak(layout="two", kinds=[slow], **common)]
    sent: list[tuple[float, bytes]] = []
    for address, layout, period_s in ((3, layouts[0], 0.08), (7, layouts[1], 0.32)):
        at = np.arange(1, 600) * period_s
        fields = {"node": address, "sequence": np.arange(1, 600), "ticks": (at * 1000).astype(int)}
        of = layout.kinds[0]
        payload = rng.integers(0, 256, (599, of.payload_bytes), np.uint8)
        rows = encode_frames(layout, of, {**fields, "hub_time": (at * 1000).astype(int) + 5}, payload)
        sent += [(float(when), row.tobytes()) for when, row in zip(at, rows, strict=True)]
    path = tmp_path / "two.bin"
    path.write_bytes(b"".join(data for _, data in sorted(sent)))
    given = [layout.model_dump(exclude_unset=True, mode="json") for layout in layouts]
    code, out = check(tmp_path, capsys, given, [path])
    assert code == errors.CONTRACT
    assert "address 7 kind 1 slow 599 frames two" in out
    assert "layout two, address 7, stream slow: a frame every 0.32 s, and rate_hz 50" in out
    assert "layout one, address 3" not in out


def test_layouts_come_before_captures(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["layout", "check", "S01.bin", str(FILE)]) == errors.USAGE
    assert "S01.bin: a capture comes first; expected layout files (.yaml)" in capsys.readouterr().err
