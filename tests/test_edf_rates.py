"""EDF+ of rates that no second holds a whole number of: written by edfio, read back by pyedflib."""

from __future__ import annotations

from fractions import Fraction
from math import gcd, lcm
from pathlib import Path

import edfio
import numpy as np
import pandas as pd
import pyedflib
import pytest
from conftest import samples_in
from hypothesis import given
from hypothesis import strategies as st

from nodeday.cli.main import main
from nodeday.config.study import Study
from nodeday.core import errors
from nodeday.core.errors import SettingsError
from nodeday.layouts import Channel, Kind
from nodeday.products.export.edf_records import (
    LARGEST_BYTES,
    NEAR,
    RECOMMENDED_BYTES,
    exact_file,
    records_for,
)
from nodeday.products.export.edf_signal import NOTHING, EdfSignal, FileSpan, SentRate, _empty, as_edfio

START_NS = 1_772_438_400 * 10**9
FORM = """
recording: ours
rows: samples
separator: ","
decimal: "."
node: {{column: node}}
sequence: {{column: sequence, bits: null}}
time: {{column: time, unit: ns, since: utc}}
streams:
{streams}"""
STREAM = """  - stream: {stream}
    rate_hz: {rate}
    channels:
      - {{name: {channel}, column: {channel}, unit: "{unit}"}}
"""


def recorded_study(root: Path, rates: dict[str, float], seconds: int, lost: range) -> Study:
    """A finished study of one CSV file: a stream of each rate, of a node each; ``lost`` are seconds."""
    rows, streams = [], ""
    for number, (stream, rate) in enumerate(rates.items()):
        streams += STREAM.format(stream=stream, rate=rate, channel=f"{stream}1", unit="µV")
        count = np.arange(int(rate * seconds))
        at_s = count / rate
        kept = ~((at_s >= lost.start) & (at_s < lost.stop))
        rows.append(
            pd.DataFrame(
                {
                    "node": number + 7,
                    "sequence": count[kept],
                    "time": START_NS + np.rint(at_s[kept] * 1e9).astype(np.int64),
                    f"{stream}1": count[kept] % 30_000 - 15_000,
                }
            )
        )
    table = pd.concat(rows).sort_values("time", kind="stable")
    for column in table.columns[3:]:
        table[column] = table[column].astype("Int64")
    nodes = "".join(f"*\tnode{stream}\t{number + 7}\tchest\n" for number, stream in enumerate(rates))
    for name, text in {
        "config/study.yaml": "study: trial\nzone: UTC\ngrid: {rate_hz: 50}\n",
        "config/participants.tsv": "participant\tage_years\tresting_bpm\nP1\t\t\n",
        "config/sessions.tsv": "session\tparticipant\tcaptures\tlayout\nS1\tP1\tday.csv\tours\n",
        "config/nodes.tsv": f"session\tnode\taddress\tplacement\n*\thub\t0\thub\n{nodes}",
        "config/events.tsv": "session\tphase\tstart\tend\n",
        "config/recorded/ours.yaml": FORM.format(streams=streams),
        "day.csv": table.to_csv(index=False),
    }.items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text(text, encoding="utf-8")
    for stage in ("frames", "clock", "loss", "repair", "features", "study"):
        assert main(["stage", stage, "S1", "--study", str(root)]) == errors.GOOD, stage
    return Study(root)


@pytest.mark.parametrize(
    ("rates", "record_s", "seconds"),
    [
        ({"slowcounter": 0.5}, 2, 600),
        ({"a": 33.3}, 10, 120),
        ({"a": 31.25, "b": 250}, 4, 120),
        ({"a": 33.3, "b": 31.25, "slow": 0.5}, 20, 600),
        ({"a": 33.333333}, 3, 120),
    ],
)
def test_a_reader_gets_every_sample_at_its_instant(
    tmp_path: Path, rates: dict[str, float], record_s: int, seconds: int
) -> None:
    lost = range(30, 36)
    study = recorded_study(tmp_path, rates, seconds, lost)
    assert main(["export", "edf", "--study", str(study.root)]) == errors.GOOD
    counted = pd.read_csv(study.root / "exports" / "edf" / "signals.csv").set_index("signal")
    with pyedflib.EdfReader(str(study.root / "exports" / "edf" / "S1.edf")) as file:
        assert file.datarecord_duration == record_s
        begin = int(np.datetime64(file.getStartdatetime(), "ns").astype(np.int64))
        onset, length, text = file.readAnnotations()
        for number, (stream, rate) in enumerate(rates.items()):
            label = file.getLabel(number)
            assert label == f"node{stream}"[: 16 - len(f" {stream}1")] + f" {stream}1"
            assert file.getSampleFrequency(number) == pytest.approx(rate, rel=1e-6)
            assert file.samples_in_datarecord(number) == round(rate * record_s)
            assert file.getPhysicalDimension(number) == "uV"
            digital = file.readSignal(number, digital=True)
            rows = samples_in(study, "S1", f"node{stream}", stream, f"{stream}1")
            rows = rows[rows["raw"].notna()]
            at = (rows["utc_ns"].to_numpy(np.int64) - begin) / 1e9 * file.getSampleFrequency(number)
            near = np.stack([digital[np.clip(np.rint(at).astype(int) + k, 0, None)] for k in (-1, 0, 1)])
            assert (near == rows["raw"].to_numpy(np.int64)).any(axis=0).all()
            assert (digital != NOTHING).sum() == len(rows)
            ((missing_s, missing_for),) = [
                (at, float(for_s))
                for at, for_s, what in zip(onset, length, text, strict=True)
                if what == f"missing {label}"
            ]
            assert missing_s == pytest.approx(START_NS / 1e9 - begin / 1e9 + lost.start, abs=1 / rate)
            assert missing_for == pytest.approx(len(lost), abs=1.01 / rate)
            row = counted.loc[label]
            assert row["missing"] == round(missing_for * rate)
            assert row[["measured", "computed", "missing", "another_rate", "outside"]].sum() == row["places"]
            assert row["another_rate"] == 0
        assert file.datarecords_in_file * record_s >= seconds
        assert file.datarecords_in_file * record_s < seconds + 2 + record_s


# Records


@pytest.mark.parametrize(
    ("rates", "seconds"),
    [
        ([250.0, 50.0, 50.0, 1.0], "1"),
        ([0.1], "10"),
        ([1 / 3], "3"),
        ([100 / 3, 250.0], "3"),
        ([33.333, 250.0], "1000"),  # 10 ppm off 100/3, so not that
        ([44_100.0], "0.6"),
        ([2000.0] * 20, "0.7"),
        ([250.0, 51.83], "100"),
        ([1000.0] * 8 + [31.25], "3.2"),
    ],
)
def test_length_of_a_record(rates: list[float], seconds: str) -> None:
    assert records_for(rates).seconds == Fraction(seconds)


decimals = st.integers(1, 10_000_000).map(lambda n: n / 1000) | st.sampled_from(
    [0.5, 31.25, 33.3, 250.0, 12.5]
)


@given(st.lists(decimals, min_size=1, max_size=8))
def test_every_record_holds_whole_samples_or_is_refused(rates: list[float]) -> None:
    """Against the definition: samples are whole, eight characters hold the length, rates are as declared."""
    try:
        seconds, of = records_for(rates)
    except SettingsError:
        exact = [Fraction(str(rate)) for rate in rates]
        least = Fraction(lcm(*(one.denominator for one in exact)), gcd(*(one.numerator for one in exact)))
        whole = least.numerator
        assert 2 * sum(exact) * whole > LARGEST_BYTES or len(str(whole)) > 8
        return
    text = str(int(seconds)) if seconds == int(seconds) else str(float(seconds))
    assert len(text) <= 8
    assert Fraction(text) == seconds
    assert all((of[rate] * seconds).denominator == 1 for rate in rates)
    assert all(abs(of[rate] / Fraction(str(rate)) - 1) <= NEAR for rate in rates)
    size = 2 * sum(of[rate] for rate in rates) * seconds
    assert size <= LARGEST_BYTES
    assert size <= RECOMMENDED_BYTES or seconds == int(seconds)


def test_rates_that_share_no_record_are_refused_in_a_sentence() -> None:
    with pytest.raises(SettingsError) as refused:
        records_for([1999.99913, 1871.38337, 1511.11719, 777.77123])
    assert str(refused.value) == (
        "no data record of EDF holds a whole number of samples at 1999.99913, 1871.38337, 1511.11719, "
        "777.77123 Hz; expected rates in the layouts that share a record of at most 10,485,760 bytes. "
        "Declare the nominal rates, or export these sessions with `nodeday export csv`."
    )


@pytest.mark.parametrize("seconds", [3, 7, 9, 10, 20, 50, 100, Fraction(1, 10), Fraction(4, 125)])
def test_a_file_of_any_records_is_written_and_read(tmp_path: Path, seconds: int | Fraction) -> None:
    """With annotations of many lengths: edfio alone refuses some of these files, for their floats differ."""
    seconds = Fraction(seconds)
    rate, records = 5 / seconds, 864
    digital = np.arange(5 * records).astype(np.int16)
    nothing = (np.zeros(0, np.int64), np.zeros(0, np.int64))
    signal = EdfSignal("x", "g", rate, digital, (-1.0, 1.0), True, {"missing": nothing}, {})
    for size in range(1, 40):
        file = exact_file(edfio)(
            [as_edfio(edfio, signal)],
            data_record_duration=float(seconds),
            annotations=[edfio.EdfAnnotation(float(seconds), None, "x" * size)],
        )
        file.write(tmp_path / "x.edf")
        with pyedflib.EdfReader(str(tmp_path / "x.edf")) as read:
            assert read.datarecords_in_file == records
            assert read.datarecord_duration == pytest.approx(float(seconds))
            assert (read.readSignal(0, digital=True) == digital).all()
            assert read.readAnnotations()[2].tolist() == ["x" * size]


# Positions without a sample


@given(st.floats(-0.49, 0.49), st.integers(0, 3), st.sampled_from([(360.0, 180.0), (25.0, 50.0), (4.0, 1.0)]))
def test_another_rate_is_no_loss(phase: float, lost: int, rates: tuple[float, float]) -> None:
    """::

    session    |a a a a . . B B B B a a a a|        lost: samples between the rates, of which no row knows
    position    s s s s m m r r r r s s s s o o     m missing, r another rate, o outside the session
    """
    one, other = rates
    start, period, period_b = 10**18, round(1e9 / one), round(1e9 / other)
    first = start + round((1 + phase) * period)
    begin_b = first + (40 + lost) * period
    end_b = begin_b + 40 * period_b
    times = np.concatenate([first + np.arange(40) * period, end_b + np.arange(40) * period])
    end = int(times[-1]) + period
    kind = Kind(kind=1, stream="s", rate_hz=one, samples=2, bits=16, channels=(Channel(name="x", unit="g"),))
    sent = SentRate("n", kind, True, (np.array([begin_b]), np.array([end_b])))
    filled = np.zeros(int((end - start) / 1e9 * one) + 20, bool)
    filled[np.rint((times - start) / 1e9 * one).astype(int)] = True
    outside, another = _empty(filled, sent, FileSpan(start, first, end), Fraction(str(one)))
    missing = ~filled & ~outside & ~another
    assert not (filled & (outside | another)).any()
    assert abs(int(missing.sum()) - lost) <= (1 if lost else 0)
    assert abs(int(another.sum()) - round(40 * one / other)) <= 2
    assert outside[0]
    assert outside[-18:].all()
