"""The door to Parquet: what comes back is what went in, and nothing that breaks a contract passes."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.parquet as parquet
import pytest
from conftest import put, valid_rows, whole
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from nodeday.schemas import TABLES
from nodeday.schemas.compile import VERSION, arrow_type, pandas_dtype

from nodeday.core.errors import ContractError
from nodeday.layouts import Layout
from nodeday.storage import row_groups, samples, tables
from nodeday.storage.inventory import result_files
from nodeday.storage.ledger import Ledger
from nodeday.storage.row_groups import Filter

NAMES = list(TABLES)


@pytest.mark.parametrize("name", NAMES)
def test_parquet_says_unit_and_meaning(name: str, tmp_path: Path) -> None:
    table = whole(name)
    tables.write(tmp_path / "t.parquet", table, valid_rows(table))
    schema = parquet.read_schema(tmp_path / "t.parquet")
    assert schema.names == table.names
    for column in table.columns:
        field = schema.field(column.name)
        assert field.type == arrow_type(column), column.name
        assert field.nullable == column.nullable, column.name
        assert field.metadata[b"unit"].decode() == column.unit
        assert field.metadata[b"meaning"].decode() == column.meaning
    about = json.loads(schema.metadata[b"nodeday"])
    assert (about["table"], about["row"], about["version"]) == (name, table.row, VERSION)
    assert list(about["columns"]) == table.names
    assert all(about["columns"][c.name]["unit"] == c.unit for c in table.columns)


@pytest.mark.parametrize("name", NAMES)
def test_parquet_gives_back_what_it_got(name: str, tmp_path: Path) -> None:
    table = whole(name)
    frame, tied = valid_rows(table), [name for pair in table.either_or for name in pair]
    for column in table.columns:
        if column.nullable and column.name not in tied:
            frame = put(frame, column.name, None, row=0)
    tables.write(tmp_path / "t.parquet", table, frame)
    back = tables.read(tmp_path / "t.parquet", table)
    pd.testing.assert_frame_equal(back, frame, check_categorical=False)
    assert tables.validate(table, back) is back
    for column in table.columns:
        if column.dtype != "name":
            assert back[column.name].dtype == pandas_dtype(column)


WIDE = st.integers(-(2**62), 2**62)


@settings(deadline=None, max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    ticks=st.lists(WIDE, min_size=1, max_size=40, unique=True),
    floats=st.lists(st.floats(allow_nan=False), min_size=40, max_size=40),
    residual=st.lists(st.none() | st.floats(allow_nan=False), min_size=40, max_size=40),
)
def test_any_numbers_come_back_exactly(
    tmp_path: Path, ticks: list[int], floats: list[float], residual: list[float | None]
) -> None:
    table, n = TABLES["clock"], len(ticks)
    frame = valid_rows(table, n).assign(
        ticks=ticks, offset_ms=floats[:n], residual_ms=pd.Series(residual[:n], dtype="float64")
    )
    tables.write(tmp_path / "t.parquet", table, frame)
    back = tables.read(tmp_path / "t.parquet", table)
    pd.testing.assert_frame_equal(back, frame, check_exact=True, check_categorical=False)


@settings(deadline=None, max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(counts=st.lists(st.none() | st.integers(2**53, 2**62), min_size=2, max_size=20))
def test_nullable_integers_never_become_floats(tmp_path: Path, counts: list[int | None]) -> None:
    """2**53 + 1 is the first integer that a float64 cannot hold."""
    table = TABLES["gaps"]
    frame = valid_rows(table, len(counts)).assign(frames=pd.array(counts, dtype="Int64"))
    tables.write(tmp_path / "t.parquet", table, frame)
    back = tables.read(tmp_path / "t.parquet", table)["frames"]
    assert [None if pd.isna(x) else int(x) for x in back] == counts


def test_other_readers_need_no_nodeday(tmp_path: Path) -> None:
    """pandas and pyarrow alone read the same values; a dataset finds the session in the path."""
    table = TABLES["epochs"]
    frame = valid_rows(table)
    for session in ("S1", "S2"):
        tables.write(tables.path(tmp_path, "epochs", session), table, frame)
    alone = pd.read_parquet(tables.path(tmp_path, "epochs", "S1"))
    assert alone["start_ns"].tolist() == frame["start_ns"].tolist()
    assert alone["value"].tolist() == frame["value"].tolist()
    assert alone["feature"].astype(str).tolist() == frame["feature"].astype(str).tolist()
    both = parquet.read_table(tmp_path / "epochs")
    assert sorted(set(both["session"].to_pylist())) == ["S1", "S2"]
    assert both.num_rows == 2 * len(frame)


@pytest.mark.parametrize(
    ("table", "column", "values"),
    [
        ("frames", "offset", np.array([2.7])),
        ("frames", "offset", pd.Series([2.7])),
        ("frames", "offset", pd.Series([2**63], dtype="uint64")),
        ("frames", "length", np.array([2**40])),
        ("frames", "length", pd.Series([2**40])),
        ("frames", "offset", pd.Series([None], dtype="Int64")),
        ("frames", "mark_utc_ns", np.array([2.7])),
        ("samples", "heart_ecg_raw", pd.array([2**40], dtype="Int64")),
        ("epochs", "reason", ["low coverage"]),
        ("epochs", "reason", pd.Categorical(["low coverage"])),
        ("epochs", "feature", np.array(["enmo"], object)),
    ],
)
def test_build_changes_no_value(table: str, column: str, values: Any) -> None:
    columns: dict[str, Any] = dict(valid_rows(whole(table), 1).items())
    with pytest.raises(ContractError, match=f"table {table}: column {column}: "):
        tables.build(whole(table), columns | {column: values})


def test_build_says_which_code_is_foreign() -> None:
    columns: dict[str, Any] = {name: valid_rows(TABLES["epochs"], 1)[name] for name in TABLES["epochs"].names}
    with pytest.raises(ContractError) as raised:
        tables.build(TABLES["epochs"], columns | {"reason": ["low coverage"]})
    assert str(raised.value) == "table epochs: column reason: low coverage is not on its list of codes."


def test_order_is_checked_across_pieces(tmp_path: Path) -> None:
    table = TABLES["rejects"]
    frame = valid_rows(table)
    other = frame.assign(capture=np.int16(2))
    tables.write(tmp_path / "t.parquet", table, [frame.iloc[:1], frame.iloc[1:], other])
    with pytest.raises(ContractError, match="offset goes from 3 to 3 between two pieces") as raised:
        tables.write(tmp_path / "u.parquet", table, [frame, frame.iloc[2:]])
    assert raised.value.exit_code == 3
    assert [path.name for path in tmp_path.iterdir()] == ["t.parquet"], "no half-written file is left"


def test_a_file_that_breaks_the_contract_is_refused_on_reading(tmp_path: Path) -> None:
    table = TABLES["gaps"]
    frame = valid_rows(table)
    source = tmp_path / "t.parquet"
    for wrong in (
        frame.assign(seq_from=pd.array([1, None, 3], dtype="Int64")),
        frame.assign(cause=["radio", "weather", "radio"]),
        frame.assign(foreign=1),
    ):
        wrong.to_parquet(source)
        with pytest.raises(ContractError, match=r"t\.parquet: "):
            tables.read(source, table)
    source.write_bytes(b"no Parquet")
    with pytest.raises(ContractError, match=r"t\.parquet: .*expected a table that an earlier stage wrote"):
        tables.read(source, table)
    with pytest.raises(ContractError, match="expected a table that an earlier stage wrote"):
        tables.read(tmp_path / "absent.parquet", table)


def test_a_failed_write_leaves_what_was_there(tmp_path: Path) -> None:
    table = TABLES["gaps"]
    frame = valid_rows(table)
    target = tables.path(tmp_path, "gaps", "S1")
    assert target == tmp_path / "gaps" / "session=S1" / "gaps.parquet"
    assert tables.write(target, table, frame) == 3
    before = target.read_bytes()

    def breaks_off() -> Any:
        yield frame
        raise RuntimeError("the power went")

    with pytest.raises(RuntimeError, match="the power went"):
        tables.write(target, table, breaks_off())
    assert target.read_bytes() == before
    assert list(target.parent.iterdir()) == [target]


def test_a_sessions_samples_change_all_at_once(tmp_path: Path) -> None:
    """The file of a node that is gone goes; a stage that stops leaves what was there."""

    def write(*names: str, fails: bool = False) -> None:
        with samples.writing(tmp_path, "S1") as place:
            for name in names:
                (place / name).write_text(name)
            if fails:
                raise RuntimeError("the power went")

    def there() -> list[str]:
        return sorted(path.relative_to(tmp_path).as_posix() for path in tmp_path.rglob("*") if path.is_file())

    write("heart.ecg.parquet", "wrist.acc.parquet")
    write("heart.ecg.parquet")
    assert there() == ["samples/session=S1/heart.ecg.parquet"]
    with pytest.raises(RuntimeError, match="the power went"):
        write("wrist.acc.parquet", fails=True)
    assert there() == ["samples/session=S1/heart.ecg.parquet"]
    (tmp_path / "samples" / ".session=S1.partial").mkdir()  # of a run that was killed
    (tmp_path / "samples" / ".session=S1.partial" / "half.parquet").write_text("half")
    assert result_files(tmp_path) == ["samples/session=S1/heart.ecg.parquet"]
    write("skin.temp.parquet")
    assert there() == ["samples/session=S1/skin.temp.parquet"]


def test_samples_of_another_layout_are_refused(tmp_path: Path, beltframe: Layout) -> None:
    """The layout has changed since; a stream that was never heard has no file, and no rows."""
    kind = beltframe.stream("acc")
    table = samples.table_of(kind)
    target = samples.path(samples.folder(tmp_path, "S1"), "wrist", kind)
    tables.write(target, table, valid_rows(table))
    axes = tuple(channel.model_copy(update={"name": f"a{channel.name}"}) for channel in kind.channels)
    other = kind.model_copy(update={"channels": axes})
    with pytest.raises(ContractError, match=r"wrist\.acc\.parquet: lacks ax, ax_raw"):
        samples.read(tmp_path, "S1", "wrist", other)
    alone = samples.read(tmp_path, "S1", "wrist", kind, ["utc_ns", "raw"], [("utc_ns", ">", 0)], "y")
    assert list(alone) == ["utc_ns", "raw"]
    assert (
        alone["raw"].tolist() == samples.read(tmp_path, "S1", "wrist", kind)["y_raw"].tolist()[-len(alone) :]
    )
    assert samples.read(tmp_path, "S1", "ankle", kind).empty
    with pytest.raises(ContractError, match="a table that an earlier stage wrote"):
        samples.read(tmp_path, "S2", "ankle", kind)


def test_the_same_table_gives_the_same_bytes(tmp_path: Path) -> None:
    table = whole("samples")
    for name in ("a", "b"):
        tables.write(tmp_path / name, table, valid_rows(table, 50))
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()


def test_a_ledger_that_balances_is_written(tmp_path: Path) -> None:
    ledger = Ledger("loss", "S1")
    ledger.add("frames", "heart/ecg", 100, received=93, lost=7)
    ledger.close(tmp_path)
    rows = tables.read(tables.path(tmp_path, "ledger", "S1", "loss"), "ledger")
    assert rows.to_dict("records") == [
        {
            "stage": "loss",
            "quantity": "frames",
            "scope": "heart/ecg",
            "entered": 100,
            "accounted": 100,
            "detail": "received 93, lost 7",
        }
    ]


def test_a_ledger_that_does_not_balance_stops_the_stage(tmp_path: Path) -> None:
    ledger = Ledger("loss", "S1")
    ledger.add("frames", "heart/ecg", 100, received=93, lost=6)
    ledger.add("frames", "wrist/acc", 10, received=10)
    with pytest.raises(ContractError) as raised:
        ledger.close(tmp_path)
    assert str(raised.value) == (
        "session S1, stage loss: frames of heart/ecg: 100 entered, 99 accounted for; expected equal counts. "
        "This is a fault of nodeday; please report it with the layout."
    )
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("operator", "value", "groups"),
    [
        ("<", 25, [0, 1, 2]),
        ("<=", 9, [0]),
        (">=", 20, [2, 3]),
        (">", 29, [2, 3]),
        ("==", 15, [1]),
        ("<", 0, [0]),
    ],
)
def test_only_row_groups_that_may_hold_a_row_are_decoded(
    operator: str, value: int, groups: list[int], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Four groups of ten instants each: 0 to 9, 10 to 19 and so on. The boundary may cost one more."""
    read = _decoded_of_forty(tmp_path, monkeypatch)
    back = tables.read(tmp_path / "t.parquet", "beats", ["utc_ns"], [("utc_ns", operator, value)])
    compare = {"<": np.less, "<=": np.less_equal, ">": np.greater, ">=": np.greater_equal, "==": np.equal}
    assert back["utc_ns"].tolist() == np.flatnonzero(compare[operator](np.arange(40), value)).tolist()
    assert read == groups


def test_rows_that_meet_one_of_several_lists_of_filters_are_read_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As in a filter of Arrow's own; two spans that overlap, one in another group, one outside all."""
    read = _decoded_of_forty(tmp_path, monkeypatch)
    spans = ((31, 34), (3, 6), (5, 8), (90, 99))
    either: list[list[Filter]] = [[("utc_ns", ">=", first), ("utc_ns", "<", last)] for first, last in spans]
    back = tables.read(tmp_path / "t.parquet", "beats", ["utc_ns"], either)
    assert back["utc_ns"].tolist() == [3, 4, 5, 6, 7, 31, 32, 33]
    assert read == [0, 3]
    assert (
        back["utc_ns"].tolist()
        == parquet.read_table(tmp_path / "t.parquet", filters=either)["utc_ns"].to_pylist()
    )


def _decoded_of_forty(folder: Path, monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Writes four groups of ten instants; what is returned fills with the groups that are decoded."""
    monkeypatch.setattr(tables, "ROW_GROUP", 10)
    frame = valid_rows(TABLES["beats"], 40)
    frame["utc_ns"] = np.arange(40)
    tables.write(folder / "t.parquet", TABLES["beats"], frame)
    read: list[int] = []
    whole = parquet.ParquetFile.read_row_group

    def watched(self: parquet.ParquetFile, group: int, columns: list[str]) -> object:
        read.append(group)
        return whole(self, group, columns)

    monkeypatch.setattr(parquet.ParquetFile, "read_row_group", watched)
    return read


@pytest.mark.parametrize("name", TABLES)
def test_a_flipped_bit_is_refused_or_changes_nothing(tmp_path: Path, name: str) -> None:
    """Single bits before the footer: the checksums of Parquet's pages are asked for at every read."""
    source, table = tmp_path / "t.parquet", TABLES[name]
    frame = valid_rows(table, 40)
    tables.write(source, table, frame)
    good, intact = source.read_bytes(), tables.read(source, table)
    rng, refused = np.random.default_rng(len(good)), 0
    footer = len(good) - 8 - int.from_bytes(good[-8:-4], "little")
    for at in rng.integers(0, 8 * footer, 40).tolist():
        damaged = bytearray(good)
        damaged[at // 8] ^= 1 << at % 8
        source.write_bytes(damaged)
        try:
            pd.testing.assert_frame_equal(tables.read(source, table), intact)
        except ContractError:
            refused += 1
    assert refused


def test_a_table_of_another_data_model_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    source = tmp_path / "t.parquet"
    tables.write(source, TABLES["gaps"], valid_rows(TABLES["gaps"]))
    monkeypatch.setattr(row_groups, "VERSION", "next")
    with pytest.raises(
        ContractError, match=rf"was written by data model {VERSION}; expected data model next.*nodeday run"
    ):
        tables.read(source, "gaps")
