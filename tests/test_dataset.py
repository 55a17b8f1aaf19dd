"""The finished study as a dataset: four engines, the data package, hashes, the same bytes on any cores,
what a changed threshold makes run again, and a copy for sharing."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections import Counter
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.compute as compute
import pyarrow.dataset as arrow_dataset
import pyarrow.parquet as parquet
import pytest
from conftest import FINISHED as SESSIONS
from conftest import FINISHED_SCENARIO as SCENARIO
from conftest import simulated
from nodeday.schemas import TABLES
from nodeday.schemas.columns import YEAR_1969, YEAR_2200

from nodeday.cli.main import main
from nodeday.core import errors
from nodeday.core.errors import ContractError, SettingsError
from nodeday.products.export.package import field
from nodeday.products.export.release import OF_AGE, WEEK, band, is_instant, offsets_of
from nodeday.storage import hashes, inventory, tables

STAGES = ("frames", "clock", "loss", "repair", "features")


@pytest.fixture
def study(finished_study: Path) -> Path:
    return finished_study


def one_after_the_other(folder: Path) -> Path:
    """The same study, stage by stage in this process, on one core and in another order of sessions."""
    simulated(folder, SCENARIO)
    failed = folder / "results" / "failed" / "S03-mess.txt"
    failed.parent.mkdir(parents=True)
    failed.write_text(
        "session S03-mess: no capture at captures/S03-mess.bin; expected the file that sessions.tsv names.\n"
    )
    for name in STAGES:
        assert main(["stage", name, *reversed(SESSIONS), "--study", str(folder)]) == errors.GOOD
    for name in ("study", "report", "index"):
        assert main(["stage", name, *SESSIONS, "--study", str(folder)]) == errors.GOOD
    assert main(["export", "package", "--study", str(folder)]) == errors.GOOD
    return folder


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str]:
    code = main(list(arguments))
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    return code, out + err


def snakemake(folder: Path, *arguments: str) -> str:
    environment = {**os.environ, "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}"}
    command = [
        sys.executable,
        "-m",
        "snakemake",
        "--dry-run",
        "--cores",
        "1",
        "--config",
        f"only={','.join(SESSIONS)}",
        *arguments,
    ]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=True, env=environment)
    return done.stdout + done.stderr


# The same inputs give the same bytes


def test_two_builds_on_different_cores_are_the_same_to_the_byte(
    study: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Another folder, one core in place of two, another order of sessions, another seed of hashes."""
    again = one_after_the_other(tmp_path_factory.mktemp("elsewhere") / "a-longer-name")
    for folder in (study, again):
        assert len(inventory.result_files(folder / "results")) > 50
    one, two = (
        {
            path: hashes.sha256(folder / "results" / path)
            for path in inventory.result_files(folder / "results")
        }
        for folder in (study, again)
    )
    assert sorted(one) == sorted(two)
    assert [path for path in one if one[path] != two[path]] == []


def test_verify_is_content_and_then_finds_every_kind_of_difference(
    study: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "copy"
    shutil.copytree(study, folder)
    code, text = run(capsys, "verify", "--study", str(folder))
    assert (code, "all as in the manifest" in text) == (errors.GOOD, True), text
    results = folder / "results"
    changed = tables.path(results, "epochs", SESSIONS[0])
    raw = bytearray(changed.read_bytes())
    raw[len(raw) // 2] ^= 1
    changed.write_bytes(raw)
    tables.path(results, "beats", SESSIONS[0]).unlink()
    (results / "study" / "notes.csv").write_text("mine")
    with (folder / "captures" / f"{SESSIONS[1]}.bin").open("ab") as capture:
        capture.write(b"\0")
    code, text = run(capsys, "verify", "--study", str(folder))
    assert code == errors.CONTRACT
    assert f"results/epochs/session={SESSIONS[0]}/epochs.parquet has other content" in text
    assert f"results/beats/session={SESSIONS[0]}/beats.parquet is absent" in text
    assert "results/study/notes.csv is not in the manifest" in text
    assert f"captures/{SESSIONS[1]}.bin has " in text
    assert "4 differ" in text


def test_manifest_names_inputs_settings_code_and_tables(study: Path) -> None:
    manifest = json.loads((study / "results" / "manifest.json").read_text())
    assert [each["path"] for each in manifest["inputs"]] == [f"captures/{name}.bin" for name in SESSIONS]
    assert "config/study.yaml" in {each["path"] for each in manifest["settings"]}
    assert set(manifest["code"]) >= {"frames", "clock", "features", "study"}
    rows = {each["path"]: each.get("rows") for each in manifest["results"]}
    for name, part in (("frames", "wrist.acc"), ("samples", "wrist.acc"), ("epochs", None)):
        path = tables.path(study / "results", name, SESSIONS[0], part)
        assert rows[path.relative_to(study).as_posix()] == parquet.read_metadata(path).num_rows
    assert str(study) not in json.dumps(manifest)


def test_verify_without_a_manifest_names_the_remedy(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, text = run(capsys, "verify", "--study", str(tmp_path))
    assert code == errors.CONTRACT
    assert "no manifest" in text
    assert "Run `nodeday run` first." in text


# Only what depends on a threshold runs again


def jobs(output: str) -> Counter[str]:
    """Jobs of a dry run by rule; those of a group are indented."""
    lines = [line.strip() for line in output.splitlines()]
    return Counter(line.removeprefix("rule ").rstrip(":") for line in lines if line.startswith("rule "))


def test_a_changed_threshold_reruns_only_what_depends_on_it(study: Path, tmp_path: Path) -> None:
    assert "Nothing to be done" in snakemake(study)
    folder = tmp_path / "copy"
    shutil.copytree(study, folder, copy_function=shutil.copy2)
    file = folder / "config" / "study.yaml"
    stamp = file.stat()
    text = file.read_text()
    file.write_text(text.replace("min_hours: 0.75", "min_hours: 0.05"))
    os.utime(file, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))
    # Of these, `settings` and `told` write nothing but marks for the engine.
    again = {
        "study": 1,
        "report": 2,
        "index": 1,
        "dataset": 1,
        "study_settings": 1,
        "study_tables_ready": 1,
        "everything": 1,
    }
    assert jobs(snakemake(folder)) == again
    file.write_text(text.replace("min_coverage: 0.8      #", "min_coverage: 0.7      #"))
    found = jobs(snakemake(folder))
    assert found["features"] == 2
    assert not found["frames"] + found["loss"] + found["clock"] + found["repair"]


# Four engines


def sums_of_pandas(folder: Path) -> dict[str, float]:
    rows = pd.read_parquet(folder)
    return {
        "rows": len(rows),
        "value": rows["value"].sum(),
        "coverage": rows["coverage"].sum(),
        "start": int(rows["start_ns"].max()),
        "sessions": rows["session"].nunique(),
        "null": int(rows["value"].isna().sum()),
    }


def sums_of_polars(folder: Path) -> dict[str, float]:
    polars = pytest.importorskip("polars")
    rows = polars.scan_parquet(folder / "**/*.parquet", hive_partitioning=True).collect()
    return {
        "rows": rows.height,
        "value": rows["value"].sum(),
        "coverage": rows["coverage"].sum(),
        "start": rows["start_ns"].max(),
        "sessions": rows["session"].n_unique(),
        "null": rows["value"].null_count(),
    }


def sums_of_duckdb(folder: Path) -> dict[str, float]:
    duckdb = pytest.importorskip("duckdb")
    query = (
        "select count(*), sum(value), sum(coverage), max(start_ns), count(distinct session), "
        f"count(*) - count(value) from read_parquet('{folder}/**/*.parquet', hive_partitioning=true)"
    )
    found = duckdb.sql(query).fetchall()[0]
    return dict(zip(("rows", "value", "coverage", "start", "sessions", "null"), found, strict=True))


def sums_of_arrow(folder: Path) -> dict[str, float]:
    """The dataset reader of Arrow's C++ library, on which R's arrow is built as well."""
    rows = arrow_dataset.dataset(folder, partitioning="hive").to_table()
    return {
        "rows": rows.num_rows,
        "value": compute.sum(rows["value"]).as_py(),
        "coverage": compute.sum(rows["coverage"]).as_py(),
        "start": compute.max(rows["start_ns"]).as_py(),
        "sessions": len(rows["session"].unique()),
        "null": rows["value"].null_count,
    }


def sums_of_r(folder: Path) -> dict[str, float]:
    if shutil.which("Rscript") is None:
        pytest.skip("R is not installed")
    program = (
        "if (!requireNamespace('arrow', quietly = TRUE)) quit(status = 9); "
        f"x <- as.data.frame(arrow::open_dataset('{folder}')); "
        "cat(nrow(x), sum(x$value, na.rm = TRUE), sum(x$coverage), length(unique(x$session)), "
        "sum(is.na(x$value)), sep = '\n')"
    )
    done = subprocess.run(["Rscript", "-e", program], capture_output=True, text=True, check=False)
    if done.returncode == 9:
        pytest.skip("R has no package arrow")
    rows, value, coverage, sessions, null = map(float, done.stdout.split())
    return {"rows": rows, "value": value, "coverage": coverage, "sessions": sessions, "null": null}


@pytest.mark.parametrize("engine", [sums_of_polars, sums_of_duckdb, sums_of_arrow, sums_of_r])
def test_engines_agree_on_rows_and_sums(study: Path, engine: object) -> None:
    folder = study / "results" / "epochs"
    expected = sums_of_pandas(folder)
    found = engine(folder)  # type: ignore[operator]
    assert expected["rows"] > 100
    assert expected["sessions"] == 2
    for name, value in found.items():
        assert value == pytest.approx(expected[name], rel=1e-12), name


def test_engines_read_the_streams_of_samples_as_one_table(study: Path) -> None:
    """DuckDB and polars put the columns of all streams together by name; pandas reads one file."""
    duckdb, polars = pytest.importorskip("duckdb"), pytest.importorskip("polars")
    inventory = sorted((study / "results" / "samples").rglob("*.parquet"))
    each = {(path.parent.name, path.name): pd.read_parquet(path) for path in inventory}
    names = {name.removesuffix(".parquet") for _, name in each}
    assert names == {"ankle.acc", "heart.ecg", "skin.temp", "trunk.acc", "wrist.acc"}
    parts = [rows for rows in each.values() if "x" in rows]
    expected = (
        sum(len(rows) for rows in each.values()),
        sum(rows["x"].astype(float).sum() for rows in parts),
        sum(int(rows["x_raw"].sum()) for rows in parts),
        sum(int(rows["x"].isna().sum()) for rows in parts),
    )
    query = "select count(*), sum(x), sum(x_raw), count(*) filter (x is null and stream = 'acc')"
    source = (
        f"read_parquet('{study}/results/samples/*/*.parquet', hive_partitioning=true, union_by_name=true)"
    )
    assert duckdb.sql(f"{query} from {source}").fetchall()[0] == pytest.approx(expected, rel=1e-6)
    rows = polars.concat([polars.scan_parquet(path) for path in inventory], how="diagonal_relaxed").collect()
    acc = rows.filter(polars.col("stream").cast(str) == "acc")["x"]
    assert rows.height == expected[0]
    assert acc.cast(float).sum() == pytest.approx(expected[1], rel=1e-6)
    assert (rows["x_raw"].sum(), acc.null_count()) == expected[2:]


def test_a_channels_unit_stands_in_its_field(study: Path) -> None:
    """As the layout states it; in the study's data package too."""
    path = f"samples/session={SESSIONS[0]}/wrist.acc.parquet"
    schema = parquet.read_schema(study / "results" / path)
    units = {name: schema.field(name).metadata[b"unit"].decode() for name in ("x", "y_raw", "z_quality")}
    assert units == {"x": "g", "y_raw": "count", "z_quality": ""}
    package = json.loads((study / "results" / "datapackage.json").read_text())
    schemas = {each["path"]: each["schema"] for each in package["resources"]}
    fields = json.loads((study / "results" / schemas[path]).read_text())["fields"]
    assert {each["name"]: each.get("unit") for each in fields}["z"] == "g"
    other = path.replace("wrist.acc", "heart.ecg")
    fields = json.loads((study / "results" / schemas[other]).read_text())["fields"]
    assert [each["name"] for each in fields][-3:] == ["ecg", "ecg_raw", "ecg_quality"]


def test_the_wide_table_is_ready_for_a_mixed_model(study: Path) -> None:
    rows = pd.read_parquet(study / "results" / "study" / "epochs_wide.parquet")
    for name in (
        "participant",
        "session",
        "epoch",
        "minutes",
        "phase",
        "age_years",
        "heart_heart_rate_bpm",
        "heart_heart_rate_bpm_coverage",
        "heart_excluded",
    ):
        assert name in rows
    assert not rows.duplicated(["session", "epoch"]).any()


# The data package


def test_the_package_of_csv_files_is_valid_to_the_last_cell(
    study: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    frictionless = pytest.importorskip("frictionless")
    assert run(capsys, "export", "csv", "--into", str(tmp_path), "--study", str(study))[0] == errors.GOOD
    report = frictionless.validate(str(tmp_path / "csv" / "datapackage.json"))
    wrong = report.flatten(["name", "fieldName", "rowNumber", "note"])
    assert report.valid, wrong[:10]
    assert report.stats["tasks"] > 20
    assert sum(task.stats.get("rows", 0) for task in report.tasks) > 500


def test_the_csv_package_catches_a_wrong_cell(
    study: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """So that the test above can fail: a code that is none, and a share above 1."""
    frictionless = pytest.importorskip("frictionless")
    run(capsys, "export", "csv", "--into", str(tmp_path), "--study", str(study))
    path = tmp_path / "csv" / "epochs" / f"session={SESSIONS[0]}" / "epochs.csv"
    rows = pd.read_csv(path)
    rows.loc[1, "coverage"] = 1.5
    rows.loc[2, "feature"] = "mood"
    rows.to_csv(path, index=False)
    report = frictionless.validate(str(tmp_path / "csv" / "datapackage.json"))
    found = {(each[0], each[1]) for each in report.flatten(["type", "fieldName"])}
    assert ("constraint-error", "coverage") in found
    assert ("constraint-error", "feature") in found
    assert "hash-count" in {each[0] for each in report.flatten(["type"])}


def test_the_package_of_the_results_describes_every_table(study: Path) -> None:
    frictionless = pytest.importorskip("frictionless")
    results = study / "results"
    package = json.loads((results / "datapackage.json").read_text())
    assert not list(frictionless.Package.metadata_validate(package))
    listed = {each["path"]: each for each in package["resources"]}
    present = {path for path in inventory.result_files(results) if path.endswith(".parquet")}
    assert {path for path in present if not path.startswith("ledger/session=")} == set(listed)
    for path, each in listed.items():
        stored = parquet.read_schema(results / path)
        schema = json.loads((results / each["schema"]).read_text())
        assert [one["name"] for one in schema["fields"]] == stored.names
        assert set(schema["primaryKey"]) <= set(stored.names)
        assert each["hash"] == f"sha256:{hashes.sha256(results / path)}"
        for one in schema["fields"]:
            assert one["description"]
            assert stored.field(one["name"]).metadata[b"unit"].decode() == one.get("unit", "")


def test_a_field_has_type_unit_limits_and_codes() -> None:
    described = field(TABLES["epochs"]["reason"])
    assert described["type"] == "string"
    assert described["constraints"]["required"] is False
    assert {"value": "low_coverage", "label": "too small a share of the epoch was received"} in described[
        "categories"
    ]
    described = field(TABLES["epochs"]["coverage"])
    assert described["type"] == "number"
    assert described["unit"] == "1"
    assert described["constraints"] == {"required": True, "minimum": 0, "maximum": 1}


def test_dictionary_and_methods_are_of_this_study(study: Path) -> None:
    results = study / "results"
    rows = pd.read_csv(results / "dictionary.csv", keep_default_na=False)
    columns = {name: list(part["column"]) for name, part in rows.groupby("table", sort=False)}
    for name, table in TABLES.items():
        assert columns[name][: len(table.columns)] == table.names
    assert columns["epochs_wide"] == parquet.read_schema(results / "study" / "epochs_wide.parquet").names
    assert "## epochs_wide" in (results / "dictionary.md").read_text()
    methods = json.loads((results / "methods.json").read_text())
    nodes = tables.read(tables.path(results, "sessions"), "sessions")
    assert methods["counts"]["frames_received"] == nodes["frames_received"].sum()
    assert {one["name"] for one in methods["features"]} >= {"heart_rate_bpm", "enmo_mg"}
    assert all(one["formula"] and one["source"] for one in methods["features"])
    assert methods["settings"]["epochs"]["seconds"] == 30
    assert set(methods["libraries"]) >= {"numpy", "pandas"}
    text = (results / "methods.md").read_text()
    assert text.count("\n\n") == 0
    assert f"{methods['counts']['frames_received']} of " in text
    assert "sessions shorter than 0.75 h" in text


# The copy for sharing


def instants(folder: Path) -> dict[str, pd.DataFrame]:
    return {
        path: pd.read_parquet(folder / path)
        for path in inventory.result_files(folder)
        if path.endswith(".parquet")
    }


def test_the_copy_keeps_every_interval_and_no_date(
    study: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    copy, offsets = tmp_path / "copy", tmp_path / "private" / "offsets.tsv"
    arguments = ["release", str(copy), "--offsets", str(offsets), "--signals", "--study", str(study)]
    code, text = run(capsys, *arguments)
    assert code == errors.GOOD, text
    weeks = pd.read_csv(offsets, sep="\t").set_index("participant")["weeks"]
    assert ((weeks <= -53) & (weeks >= -520)).all()
    before, after = instants(study / "results"), instants(copy)
    assert not [path for path in after if path.startswith(("frames", "rejects", "ledger"))]
    assert not list(copy.rglob("*.bin"))
    seen = 0
    for path, frame in after.items():
        old = before[path]
        if "feature" in old:
            old = old[~old["feature"].isin(OF_AGE)].reset_index(drop=True)
        assert len(old) == len(frame)
        assert not [name for name in frame if name.startswith(OF_AGE)]
        about = inventory.table_file(study / "results", path).table
        session = inventory.session_of(path)
        for column in about.columns:
            if column.name not in frame or not len(frame):
                continue
            if (about.name, column.name) == ("calibration", "source"):
                assert frame[column.name].isna().all()  # the name of a bench record is its day
                continue
            if not is_instant(column):
                if column.unit != "ns" and column.name != "start_utc" and len(frame) < 10_000:
                    pd.testing.assert_series_equal(old[column.name], frame[column.name])
                continue
            by = (frame[column.name] - old[column.name]).dropna()
            names = [session] if session else old["session"].loc[by.index]
            expected = np.array([weeks[f"P{name[1:3]}"] * WEEK for name in names])
            assert (by.to_numpy(np.int64) == expected).all(), (path, column.name)
            seen += len(by)
    assert seen > 10_000
    text = "".join(
        path.read_text(errors="ignore")
        for path in copy.rglob("*.*")
        if path.is_file() and path.suffix != ".parquet"
    )
    assert "2026-07" not in text
    for path in copy.rglob("*.parquet"):
        assert b"2026-07" not in path.read_bytes()
    shown = pd.read_parquet(copy / "participants" / "participants.parquet")
    assert list(shown["age_band"]) == ["30-39", "20-29", "40-49"]
    assert "age_years" not in shown


def test_a_second_copy_uses_the_same_offsets(
    study: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    offsets = tmp_path / "offsets.tsv"
    for name in ("one", "two"):
        run(capsys, "release", str(tmp_path / name), "--offsets", str(offsets), "--study", str(study))
    one, two = (
        {path: hashes.sha256(tmp_path / name / path) for path in inventory.result_files(tmp_path / name)}
        for name in ("one", "two")
    )
    assert one == two
    assert len(one) > 20


def test_offsets_never_lie_inside_the_copy(
    study: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    copy = tmp_path / "copy"
    code, text = run(capsys, "release", str(copy), "--offsets", str(copy / "o.tsv"), "--study", str(study))
    assert code == errors.USAGE
    assert "lie inside the copy" in text
    assert not copy.exists()


def test_offsets_are_drawn_anew_and_refused_before_1969(tmp_path: Path) -> None:
    people = [f"P{k:03}" for k in range(200)]
    drawn = offsets_of(tmp_path / "a.tsv", people, {})
    assert len(set(drawn.values())) > 50
    assert offsets_of(tmp_path / "b.tsv", people, {}) != drawn
    with pytest.raises(ContractError, match="leads before 1969"):
        offsets_of(tmp_path / "a.tsv", people, {"P000": 0})
    (tmp_path / "c.tsv").write_text("who\tweeks\nP1\t-60\n")
    with pytest.raises(SettingsError, match="is no list of offsets"):
        offsets_of(tmp_path / "c.tsv", people, {})


AGES = {0: "0-9", 29: "20-29", 30: "30-39", 89: "80-89", 90: "90+", 104: "90+"}


@pytest.mark.parametrize(("age", "shown"), AGES.items())
def test_ages_become_bands(age: int, shown: str) -> None:
    assert band(age) == shown


def test_every_column_of_nanoseconds_is_an_instant_or_a_stamp_of_the_hub() -> None:
    """A release moves the first by a participant's offset, the second to begin at zero: a third kind would
    be moved wrongly, so it must be thought about here."""
    for table in TABLES.values():
        for column in table.columns:
            if column.unit == "ns":
                assert (column.ge == YEAR_1969 and column.le == YEAR_2200) or "hub_ns" in column.name


def test_hub_stamps_begin_at_zero(study: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    copy = tmp_path / "copy"
    run(capsys, "release", str(copy), "--offsets", str(tmp_path / "o.tsv"), "--study", str(study))
    for session in SESSIONS:
        loss = pd.read_parquet(copy / "loss" / f"session={session}" / "loss.parquet")
        assert loss["minute_hub_ns"].min() == 0
        assert np.ptp(loss["minute_hub_ns"]) < 600e9


# Hashes that are kept


def test_a_hash_is_kept_until_anything_touches_its_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SHA-256 of "abc" and of the empty message: FIPS 180-4, examples of NIST."""
    abc, empty = tmp_path / "abc", tmp_path / "empty"
    kept = tmp_path / "results" / hashes.FOLDER / f"{hashes.INPUTS}.json"
    abc.write_bytes(b"abc")
    empty.touch()
    known = [
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
        "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    ]
    read: list[Path] = []
    plain = hashes.sha256
    monkeypatch.setattr(hashes, "sha256", lambda path: read.append(path) or plain(path))
    first = hashes.KeptHashes(tmp_path)
    assert first([abc, empty]) == first([abc, empty]) == known
    first.keep(inputs=False)
    assert not kept.exists()
    second = hashes.KeptHashes(tmp_path)
    assert second([abc, empty]) == known
    second.keep()
    assert len(read) == 4
    assert hashes.KeptHashes(tmp_path)([abc, empty]) == known
    assert len(read) == 4
    stat = abc.stat()
    abc.write_bytes(b"abd")  # as long as before, and with its time put back
    os.utime(abc, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    assert hashes.KeptHashes(tmp_path)([abc, empty]) == hashes.of_files([abc, empty]) != known
    for text in ("", "[1]", '{"abc": {}}', "{"):
        kept.write_text(text)
        assert hashes.KeptHashes(tmp_path)([empty]) == known[1:]
