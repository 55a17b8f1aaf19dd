"""`nodeday layout check`: a layout in words, and how much of a capture it decodes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml

from nodeday.cli.main import main
from nodeday.config.study import Study
from nodeday.core import errors
from nodeday.layouts import Layout, load_layout
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


def test_a_layout_that_does_not_fit_is_told(
    capture: tuple[Path, int], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    told = yaml.safe_load(FILE.read_text())
    told["sync"] = "D3 92"
    wrong = tmp_path / "wrong.yaml"
    wrong.write_text(yaml.safe_dump(told))
    assert main(["layout", "check", str(wrong), str(capture[0])]) == errors.CONTRACT
    assert "0.00% of the bytes are frames of this layout" in capsys.readouterr().err


def test_an_absent_capture_is_one_sentence(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["layout", "check", str(FILE), "nowhere.bin"]) == errors.USAGE
    assert capsys.readouterr().err == "nodeday: nowhere.bin: no such file; expected a capture.\n"


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
    kinds = [
        {
            "kind": 1,
            "stream": "acc",
            "rate_hz": 50,
            "samples": 4,
            "bits": 8,
            "channels": [{"name": "x", "unit": "g"}],
        }
    ]
    return Layout.model_validate({"layout": "weak", "sync": "A5", "frame": fields, "kinds": kinds, **changes})


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
