"""Exports read back by other libraries than those that wrote them: EDF+ by pyedflib, beats by wfdb."""

from __future__ import annotations

import sys
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from conftest import FINISHED, samples_in
from hypothesis import given
from hypothesis import strategies as st
from nodeday.schemas import TABLES

from nodeday.cli.main import main
from nodeday.core import errors
from nodeday.core.arrays import runs
from nodeday.layouts import Channel, Kind
from nodeday.products.export import edf_signal
from nodeday.products.export.raster import SECOND, on_raster
from nodeday.storage import tables

NOTHING = -32768


@pytest.fixture(scope="module")
def exported(finished_study: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    target = tmp_path_factory.mktemp("exports")
    code = main(["export", "edf", "wfdb", "csv", "--into", str(target), "--study", str(finished_study)])
    assert code == errors.GOOD
    return target


def samples_of(study: Path, session: str, node: str, channel: str) -> pd.DataFrame:
    stream = {"ecg": "ecg", "skin": "temp"}.get(channel, "acc")
    return samples_in(study, session, node, stream, channel)


# EDF+


@pytest.mark.parametrize("session", FINISHED)
def test_an_independent_reader_sees_counts_and_gaps_at_their_instants(
    finished_study: Path, exported: Path, session: str
) -> None:
    pyedflib = pytest.importorskip("pyedflib")
    with pyedflib.EdfReader(str(exported / "edf" / f"{session}.edf")) as file:
        labels = file.getSignalLabels()
        assert labels == [
            "heart ecg",
            *(f"{n} {c}" for n in ("trunk", "wrist", "ankle") for c in "xyz"),
            "skin skin",
        ]
        nodes = tables.read(tables.path(finished_study / "results", "sessions"), "sessions")
        first = int(nodes.loc[nodes["session"] == session, "start_ns"].iloc[0])
        start = int(np.datetime64(file.getStartdatetime(), "ns").astype(np.int64))
        assert start == first // SECOND * SECOND
        assert file.getPatientCode() == nodes.loc[nodes["session"] == session, "participant"].iloc[0]
        assert file.getPatientName() in ("", "X")
        onset, duration, text = file.readAnnotations()
        for number, label in enumerate(labels):
            node, channel = label.split()
            rate = file.getSampleFrequency(number)
            digital = file.readSignal(number, digital=True)
            rows = samples_of(finished_study, session, node, channel)
            received = rows[rows["raw"].notna()]
            spot = ((received["utc_ns"].to_numpy() - start) * rate / SECOND).round().astype(int)
            near = np.stack([digital[np.clip(spot + k, 0, len(digital) - 1)] for k in (-1, 0, 1)])
            found = (near == received["raw"].to_numpy(np.int64)).any(axis=0)
            assert found.mean() > 0.999  # but where a fast crystal's sample is left out
            missing = rows[rows["origin"] == "missing"]
            spot = ((missing["utc_ns"].to_numpy() - start) * rate / SECOND).round().astype(int)
            holes = digital == NOTHING
            noted = np.zeros(len(digital), bool)
            for at, length, what in zip(onset, duration, text, strict=True):
                a, b = at * rate, (at + float(length)) * rate
                if what == f"missing {label}":
                    assert holes[round(a) : round(b)].all()
                    noted[round(a) : round(b)] = True
                if what == "outside the session":  # positions reach 0.6 periods into it
                    around = slice(max(round(a - 0.6), 0), round(b + 0.61) + 1)
                    noted[around] |= holes[around]
            assert (noted == holes).all()
            inside = spot[(spot > 0) & (spot < len(digital) - 1)]
            assert np.mean([holes[k - 1 : k + 2].any() for k in inside]) > 0.99 if len(inside) else True
            received_at = np.flatnonzero(~holes)
            inner = holes[received_at[0] : received_at[-1]]
            silent = 5 * rate if rows["boot"].max() > 0 else 0  # the scenario's restart, in no row
            assert abs(int(inner.sum()) - len(missing) - silent) <= 2 * len(runs(inner)[0]) + 2 + silent / 5


def test_values_are_in_the_layouts_unit(finished_study: Path, exported: Path) -> None:
    pyedflib = pytest.importorskip("pyedflib")
    with pyedflib.EdfReader(str(exported / "edf" / f"{FINISHED[0]}.edf")) as file:
        for number, unit, scale, offset in (
            (0, "mV", 0.002, -4.096),
            (1, "g", 1 / 256, 0.0),
            (10, "degC", 0.01, 0.0),
        ):
            assert file.getPhysicalDimension(number) == unit
            digital, value = file.readSignal(number, digital=True), file.readSignal(number)
            held = digital != NOTHING
            assert np.abs(value - (digital * scale + offset))[held].max() < scale * 1e-2
            assert "no sample" in file.getPrefilter(number)


def test_computed_samples_are_annotated(finished_study: Path, exported: Path) -> None:
    pyedflib = pytest.importorskip("pyedflib")
    session = FINISHED[1]
    rows = samples_of(finished_study, session, "heart", "ecg")
    filled = int((rows["origin"] == "interpolated").sum())
    assert filled > 100
    with pyedflib.EdfReader(str(exported / "edf" / f"{session}.edf")) as file:
        _, duration, text = file.readAnnotations()
        lengths = [round(float(seconds) * 250) for seconds in duration[text == "computed heart ecg"]]
        assert abs(sum(lengths) - filled) <= len(lengths)
        phases = [what for what in text if what.startswith("phase ")]
        assert phases == ["phase rest"]


def test_every_sample_is_accounted_for(finished_study: Path, exported: Path) -> None:
    signals = pd.read_csv(exported / "edf" / "signals.csv")
    parts = ["measured", "computed", "missing", "another_rate", "outside"]
    assert (signals[parts].sum(axis=1) == signals["places"]).all()
    assert (signals["another_rate"] == 0).all()
    assert set(signals["exact_counts"]) == {"yes"}
    for row in signals.itertuples():
        rows = samples_of(finished_study, row.session, *row.signal.split())
        present = int((rows["origin"] != "missing").sum())
        assert row.measured + row.computed == present - row.left_out + row.twice


def test_two_exports_are_the_same_bytes(finished_study: Path, exported: Path, tmp_path: Path) -> None:
    main(["export", "edf", "wfdb", "--into", str(tmp_path), "--study", str(finished_study)])
    for path in [*tmp_path.rglob("*.edf"), *tmp_path.rglob("*.beats")]:
        assert path.read_bytes() == (exported / path.relative_to(tmp_path)).read_bytes()


def test_counts_of_more_than_16_bits_are_rescaled_and_marked() -> None:
    kind = Kind(
        kind=1,
        stream="ecg",
        rate_hz=4,
        samples=2,
        bits=24,
        signed=True,
        channels=(Channel(name="ecg", unit="mV", scale=1e-5),),
    )
    raw = np.array([-800_000, 0, 5, 799_999])
    rows = pd.DataFrame({"raw": pd.array(raw, "Int64"), "value": raw * 1e-5})
    raster = on_raster(np.arange(4) * SECOND // 4, 0, 4, 4.0)
    digital, (low, high), exact = edf_signal._digital(rows, raster, kind.channels[0])
    assert not exact
    step = (high - low) / 65_535
    assert (digital[[0, 3]] == [-32767, 32767]).all()
    assert np.abs(low + (digital.astype(float) + 32768) * step - raw * 1e-5).max() <= step / 2 * 1.001


def test_an_export_without_its_library_names_the_way_to_install_it(
    finished_study: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "edfio", None)
    assert main(["export", "edf", "--study", str(finished_study)]) == errors.USAGE
    assert "edfio is not installed; expected the extra `export`" in capsys.readouterr().err


# The raster


@pytest.mark.parametrize("ppm", [-200.0, -20.0, 0.0, 20.0, 200.0])
def test_a_wandering_crystal_leaves_no_hole(ppm: float) -> None:
    """Jittered instants of a whole recording: no position between them is empty, and as many samples are left
    out, or taken twice, as the crystal gains or loses."""
    rng = np.random.default_rng(3)
    n, rate = 200_000, 250.0
    utc = np.sort(
        np.rint((np.arange(n) / (rate * (1 + ppm * 1e-6)) + 0.3) * 1e9 + rng.normal(0, 2e4, n))
    ).astype(np.int64)
    count = int((utc[-1] - utc[0]) / 1e9 * rate)
    found = on_raster(utc, int(utc[0]) - int(0.001 * SECOND), count, rate)
    assert found.filled.all()
    gained = round(n * ppm * 1e-6)
    assert abs(found.left_out(n) - max(gained, 0)) <= 2
    assert abs(found.twice - max(-gained, 0)) <= 2
    at = utc[0] - 1_000_000 + np.arange(count) / rate * 1e9
    assert np.abs(utc[found.sample] - at).max() <= 0.62 / rate * 1e9


@given(st.lists(st.booleans(), min_size=1, max_size=200), st.integers(-40, 40), st.floats(-0.45, 0.45))
def test_what_is_lost_is_a_hole_and_nothing_else(received: list[bool], ppm: int, phase: float) -> None:
    """Against the plain rule: sample k belongs to position k."""
    mask = np.array(received)
    period = 1e9 / 50
    utc = np.rint((np.arange(len(mask)) * (1 + ppm * 1e-6) + phase) * period).astype(np.int64)[mask]
    found = on_raster(utc, 0, len(mask), 50.0)
    assert (found.filled == mask).all()
    assert (found.sample[mask] == np.arange(mask.sum())).all()


def test_no_sample_no_position() -> None:
    assert not on_raster(np.zeros(0, np.int64), 0, 5, 50.0).filled.any()


# Beats and CSV


@pytest.mark.parametrize("session", FINISHED)
def test_beats_read_back_where_they_are(finished_study: Path, exported: Path, session: str) -> None:
    with warnings.catch_warnings():  # on import it calls pandas in a way that is on its way out
        warnings.simplefilter("ignore")
        wfdb = pytest.importorskip("wfdb")
    name = f"{session}_heart".replace("-", "_")
    with warnings.catch_warnings():  # of pandas, about how wfdb calls it
        warnings.simplefilter("ignore")
        annotations = wfdb.rdann(str(exported / "wfdb" / name), "beats")
    beats = tables.read(tables.path(finished_study / "results", "beats", session), "beats")
    symbols = np.array(annotations.symbol)
    of_beats = np.isin(symbols, ["N", "Q"])
    assert annotations.fs == 250
    assert of_beats.sum() == len(beats)
    assert (symbols[of_beats] == np.where(beats["origin"] == "measured", "N", "Q")).all()
    nodes = tables.read(tables.path(finished_study / "results", "sessions"), "sessions")
    start = int(nodes.loc[nodes["session"] == session, "start_ns"].iloc[0]) // SECOND * SECOND
    assert (
        np.abs(start + annotations.sample[of_beats] * 4_000_000 - beats["utc_ns"].to_numpy()).max()
        <= 2_000_000
    )
    notes = np.array([note.rstrip("\0") for note in annotations.aux_note])
    status = beats["rr_status"].astype(str).to_numpy()
    assert (notes[of_beats] == np.where(status == "normal", "", status)).all()
    rows = samples_of(finished_study, session, "heart", "ecg")
    starts, _ = runs((rows["origin"] == "missing").to_numpy())
    assert (notes == "missing from here").sum() == (notes == "missing to here").sum() == len(starts)


def test_csv_has_the_columns_and_cells_of_the_tables(finished_study: Path, exported: Path) -> None:
    seen = 0
    for path in sorted((exported / "csv").rglob("*.csv")):
        inside = path.relative_to(exported / "csv")
        stored = finished_study / "results" / inside.with_suffix(".parquet")
        if path.name == "dictionary.csv":
            continue
        frame, text = pd.read_parquet(stored), pd.read_csv(path)
        if "session" in frame and "session=" in str(stored):
            frame = frame.drop(columns="session")
        assert list(text) == list(frame)
        assert len(text) == len(frame)
        for column in TABLES[path.stem].columns if path.stem in TABLES else ():
            if "float64" in column.dtype and len(frame):
                assert np.array_equal(frame[column.name], text[column.name], equal_nan=True), (
                    inside,
                    column.name,
                )
        seen += 1
    assert seen > 20
