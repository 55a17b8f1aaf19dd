"""Bench records: written, read back, found by node, device and date."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from nodeday.config import device_records
from nodeday.config.device_records import Acceleration, Check, Record, calibration_of, record_of, verdict_of
from nodeday.config.study import Study
from nodeday.core.errors import ContractError, SettingsError

SESSION = "session\tparticipant\tcaptures\tlayout\tstart\nS1\tP1\tcaptures/S1.bin\tbeltframe\t{}\n"
NODES = "session\tnode\taddress\tplacement\n*\thub\t0\thub\n*\twrist\t18\twrist\n"
IDENTITY = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))


def record(day: str, address: int = 18, offset: float = 0.01, coefficients: bool = True) -> Record:
    own = Acceleration(offset_g=(offset, 0.0, 0.0), gain=(1.0, 1.0, 1.0), cross_axis=IDENTITY)
    return Record(
        node="wrist",
        address=address,
        measured=date.fromisoformat(day),
        verdict="pass",
        checks=(),
        acceleration=own if coefficients else None,
    )


@pytest.fixture
def study(study_folder: Callable[..., Path]) -> Study:
    """One session at 2026-07-14 00:30 in Madrid, which is the 13th in UTC."""
    return Study(study_folder(**{"sessions.tsv": SESSION.format("2026-07-14T00:30"), "nodes.tsv": NODES}))


def test_the_latest_bench_that_is_not_after_the_session(study: Study) -> None:
    assert calibration_of(study, "S1", "wrist") is None
    for day, offset in (("2026-07-01", 0.01), ("2026-07-14", 0.02), ("2026-07-15", 0.03)):
        device_records.write(study.root, record(day, offset=offset))
    found = calibration_of(study, "S1", "wrist")
    assert found is not None
    assert (found.offset_g[0], found.measured) == (0.02, date(2026, 7, 14))
    assert found.source == "config/devices/wrist-2026-07-14.yaml"
    assert calibration_of(study, "S1", "hub") is None


def test_another_device_under_the_same_name_is_another_device(study: Study) -> None:
    device_records.write(study.root, record("2026-07-01", offset=0.01))
    device_records.write(study.root, record("2026-07-10", address=99, offset=0.05))
    found = calibration_of(study, "S1", "wrist")
    assert found is not None
    assert found.offset_g[0] == 0.01


def test_a_bench_without_positions_leaves_the_earlier_coefficients_in_force(study: Study) -> None:
    device_records.write(study.root, record("2026-07-01"))
    device_records.write(study.root, record("2026-07-10", coefficients=False))
    found, latest = calibration_of(study, "S1", "wrist"), record_of(study, "S1", "wrist")
    assert found is not None
    assert latest is not None
    assert (found.measured.day, latest.measured.day) == (1, 10)


def test_a_record_comes_back_as_it_was_written(study: Study) -> None:
    checks = (
        Check(check="skew", value=12.5, unit="ppm", limit=100.0, outcome="pass"),
        Check(check="mains", value=None, unit="uV", limit=5.0, outcome="not_measured", note="no flat line"),
    )
    whole = record("2026-07-01").model_copy(update={"checks": checks})
    device_records.write(study.root, whole)
    assert record_of(study, "S1", "wrist") == whole


def test_a_record_that_cannot_be_used_says_where(study: Study) -> None:
    path = device_records.write(study.root, record("2026-07-01"))
    path.write_text(path.read_text().replace("offset_g: [0.01, 0.0, 0.0]", "offset_g: [0.01, 0.0]"))
    with pytest.raises(SettingsError, match=r"wrist-2026-07-01\.yaml line \d+: acceleration\.offset_g"):
        calibration_of(study, "S1", "wrist")


def test_without_a_date_no_record_is_taken(study_folder: Callable[..., Path]) -> None:
    study = Study(study_folder(**{"nodes.tsv": NODES}))
    assert calibration_of(study, "S1", "wrist") is None  # no record, so no date is asked for
    device_records.write(study.root, record("2026-07-01"))
    with pytest.raises(ContractError, match="clock"):
        calibration_of(study, "S1", "wrist")


@pytest.mark.parametrize(
    ("outcomes", "verdict"),
    [
        (["pass", "pass"], "pass"),
        (["pass", "not_measured"], "incomplete"),
        (["not_measured", "fail"], "fail"),
        ([], "pass"),
    ],
)
def test_a_verdict_is_no_better_than_its_worst_figure(outcomes: list[str], verdict: str) -> None:
    checks = tuple(Check(check="one", value=None, unit="g", limit=1.0, outcome=o) for o in outcomes)  # type: ignore[arg-type]
    assert verdict_of(checks) == verdict
