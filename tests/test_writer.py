"""The writer of settings: what it writes is read back as it was meant, and nothing is lost."""

from __future__ import annotations

import ast
from datetime import datetime
from pathlib import Path

import pytest
from conftest import CONFIG, ROOT
from hypothesis import given
from hypothesis import strategies as st

from nodeday.config import checks
from nodeday.config.models import Event, Node, Session
from nodeday.config.study import Study
from nodeday.config.writer import SHEETS, sheet, write_settings, write_yaml
from nodeday.core import tsv_io, yaml_io
from nodeday.core.errors import SettingsError
from nodeday.stages.simulate.scenario import Scenario

HUB = {"session": "*", "node": "hub", "address": 0, "placement": "hub"}
CODES = st.from_regex(r"[A-Za-z][A-Za-z0-9-]{0,6}", fullmatch=True)
# No capitals and no digits, which would be taken for names and telephone numbers of people.
CAPTURES = st.text(st.sampled_from("abc \"'./;|=-é"), min_size=1).filter(str.strip)


def files(**more: str) -> dict[str, str]:
    session = {"session": "S1", "participant": "P1", "captures": "captures/S1.bin", "layout": "beltframe"}
    heart = HUB | {"node": "heart", "address": 16, "placement": "chest"}
    return {
        "study.yaml": yaml_io.dump({"study": "trial", "title": "Sueño", "zone": "Europe/Madrid"}),
        "participants.tsv": sheet("participants", [{"participant": "P1"}]),
        "sessions.tsv": sheet("sessions", [session]),
        "nodes.tsv": sheet("nodes", [HUB, heart]),
        "events.tsv": sheet("events", []),
        "layouts/beltframe.yaml": (CONFIG / "layouts" / "beltframe.yaml").read_text(encoding="utf-8"),
    } | more


def test_a_written_study_is_read_back(tmp_path: Path) -> None:
    write_settings(tmp_path / "config", files())
    study = Study(tmp_path)
    assert checks.problems(study, "S1", captures=False) == []
    assert study.file.title == "Sueño"
    assert study.nodes_of("S1")[16] == Node(session="*", node="heart", address=16, placement="chest")


@pytest.mark.parametrize(
    ("name", "text", "sentence"),
    [
        (
            "study.yaml",
            "study: trial\nzon: UTC\n",
            "study.yaml line 2: unknown key zon (did you mean zone?).",
        ),
        (
            "nodes.tsv",
            sheet("nodes", [HUB | {"adress": 1}]),
            "nodes.tsv line 1: unknown column adress (did you mean address?).",
        ),
        (
            "participants.tsv",
            sheet("participants", [{"participant": "P1"}, {"participant": "P1"}]),
            "participants.tsv: more than one row for P1; expected a row each.",
        ),
        (
            "layouts/ours.yaml",
            "layout: ours\n",
            "layouts/ours.yaml line 1: frame is missing; kinds is missing.",
        ),
        ("scenario.yaml", "seed: 1\n", "scenario.yaml line 1: sessions is missing."),
    ],
)
def test_one_bad_file_and_none_is_written(tmp_path: Path, name: str, text: str, sentence: str) -> None:
    with pytest.raises(SettingsError) as raised:
        write_settings(tmp_path / "config", files(**{name: text}))
    assert str(raised.value) == f"{tmp_path}/config/{sentence}"
    assert not list(tmp_path.iterdir())


def test_a_file_that_is_there_stays(tmp_path: Path) -> None:
    (tmp_path / "events.tsv").write_text("mine")
    with pytest.raises(SettingsError, match=r"events\.tsv: exists already; expected a free name"):
        write_settings(tmp_path, files())
    assert [path.name for path in tmp_path.iterdir()] == ["events.tsv"]
    assert (tmp_path / "events.tsv").read_text() == "mine"
    write_settings(tmp_path, files(), replace=True)
    assert (tmp_path / "events.tsv").read_text() == "session\tphase\tstart\tend\n"


def test_settings_of_another_kind_must_be_of_their_model(tmp_path: Path) -> None:
    target = tmp_path / "scenario.yaml"
    with pytest.raises(
        SettingsError, match=r"scenario\.yaml line 1: sessions is missing; unknown key sessoins"
    ):
        write_yaml(target, "sessoins: {}\n", Scenario)
    write_yaml(target, "# kept\nsessions: {}\n", Scenario)
    assert target.read_text() == "# kept\nsessions: {}\n"
    with pytest.raises(SettingsError, match="exists already"):
        write_yaml(target, "sessions: {}\n", Scenario)


def test_columns_without_a_value_stay_to_be_filled_in() -> None:
    assert sheet("participants", [{"participant": "P1"}]) == "participant\tage_years\tresting_bpm\nP1\t\t\n"
    assert sheet("nodes", [HUB]).splitlines()[0] == "session\tnode\taddress\tplacement"
    assert sheet("nodes", [HUB | {"layout": "ours"}]).splitlines()[0].endswith("placement\tlayout")


@given(st.lists(st.builds(dict, session=CODES, participant=CODES, captures=CAPTURES, layout=CODES)))
def test_sessions_come_back_as_they_were_written(rows: list[dict[str, str]]) -> None:
    text = sheet("sessions", rows)
    assert tsv_io.parse(text, Session, "sessions.tsv") == [Session(**row) for row in rows]  # type: ignore[arg-type]


STARTS = st.datetimes(datetime(2016, 1, 1), datetime(2199, 12, 31))


@given(st.lists(st.builds(dict, session=CODES, phase=CODES, start=STARTS)))
def test_events_come_back_as_they_were_written(rows: list[dict[str, object]]) -> None:
    text = sheet("events", rows)
    assert tsv_io.parse(text, Event, "events.tsv") == [Event(**row) for row in rows]  # type: ignore[arg-type]


def test_every_sheet_of_a_study_has_a_model() -> None:
    assert {path.stem for path in CONFIG.glob("*.tsv")} == set(SHEETS)


def test_no_module_repeats_the_header_of_a_sheet() -> None:
    """Headers come from the models alone: no literal elsewhere lists three columns of a sheet in order."""
    headers = [list(kind.model.model_fields) for kind in SHEETS.values()]
    found = []
    for path in sorted((ROOT / "workflow" / "nodeday").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Tuple | ast.List):
                words = [each.value for each in node.elts if isinstance(each, ast.Constant)]
                if len(words) >= 3 and any(words == header[: len(words)] for header in headers):
                    found.append(f"{path.relative_to(ROOT)}:{node.lineno}")
    assert not found
