"""Sentences on refused settings: every error that a model can raise has one, none in the library's words."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel, ValidationError

import nodeday
from nodeday.cli.main import main
from nodeday.config.models import Event, StudyFile
from nodeday.config.study import Study
from nodeday.core import errors, refusals, tsv_io, yaml_io
from nodeday.core.errors import SettingsError
from nodeday.layouts import load_layout
from nodeday.stages.simulate.scenario import random_scenario
from nodeday.stages.simulate.session import simulate_session

PROJECT = Path(__file__).parents[1]
LIBRARY = ("nput should", "unable to", "valid integer", "valid number", "validation")
BY_TYPE = {
    "bool": {"bool_type", "bool_parsing"},
    "int": {"int_type", "int_parsing", "int_from_float", "int_parsing_size", "finite_number"},
    "float": {"float_type", "float_parsing", "finite_number"},
    "str": {"string_type", "string_unicode"},
    "date": {
        "date_type",
        "date_parsing",
        "date_from_datetime_parsing",
        "date_from_datetime_inexact",
    },
    "datetime": {
        "datetime_type",
        "datetime_parsing",
        "datetime_object_invalid",
        "datetime_from_date_parsing",
    },
    "literal": {"literal_error"},
    "tuple": {"tuple_type", "too_short", "too_long"},
    "dict": {"dict_type"},
    "model": {"model_type"},
    "model-fields": {"model_type"},
}
"""Errors of each type of a schema, by the table of the library's manual."""
BY_CONSTRAINT = {
    "gt": "greater_than",
    "ge": "greater_than_equal",
    "lt": "less_than",
    "le": "less_than_equal",
    "pattern": "string_pattern_mismatch",
}
OTHERS = {"model-field", "default", "nullable", "function-after", "no-info", "any", "union"}
OTHERS |= {"definitions", "definition-ref"}
"""Parts of a schema that raise no error of their own, and wrappers of functions of nodeday."""


def models() -> Iterator[type[BaseModel]]:
    for module in pkgutil.walk_packages(nodeday.__path__, "nodeday."):
        if module.name.startswith(("nodeday.config", "nodeday.layouts", "nodeday.stages", "nodeday.core")):
            for each in vars(importlib.import_module(module.name)).values():
                if inspect.isclass(each) and issubclass(each, BaseModel) and each is not BaseModel:
                    yield each


def parts(schema: Any) -> Iterator[dict[str, Any]]:
    if isinstance(schema, dict):
        if isinstance(schema.get("type"), str):
            yield schema
        for key, value in schema.items():
            if key not in ("metadata", "serialization"):
                yield from parts(value)
    elif isinstance(schema, list | tuple):
        for value in schema:
            yield from parts(value)


def test_every_error_that_a_model_can_raise_has_its_sentence() -> None:
    raised, unknown = {"missing", "extra_forbidden"}, set()
    for model in models():
        for part in parts(model.__pydantic_core_schema__):
            kind = part["type"]
            raised |= BY_TYPE.get(kind, set())
            raised |= {error for key, error in BY_CONSTRAINT.items() if key in part}
            raised |= {f"string_too_{end}" for end in ("short", "long") if kind == "str"}
            unknown |= {kind} - {*BY_TYPE, *OTHERS}
    assert not unknown, "types of schemas whose errors nobody has listed"
    assert raised - {*refusals.EXPECTED, "missing", "extra_forbidden"} == set()


VALUES = ["abc", "", -1e9, 1e30, 1.5, float("nan"), True, None, [], ["x", "y"], {"a": 1}, "9" * 5000, b"\xff"]


def test_no_sentence_is_in_the_words_of_the_library() -> None:
    found = set()
    for model in set(models()):
        for field, value in ((field, value) for field in model.model_fields for value in VALUES):
            try:
                model.model_validate({field: value})
            except ValidationError as error:
                for problem in error.errors():
                    text = yaml_io._sentence(".".join(map(str, problem["loc"])), problem, model)
                    found.add(problem["type"])
                    assert not any(words in text for words in LIBRARY), text
                    assert "what this setting takes" not in text, problem["type"]
    assert len(found) > 20


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("study: s\nheart: {long_seconds: abc}\n", "line 2: heart.long_seconds is 'abc', not a number."),
        ("study: s\ngrid: {rate_hz: 1.0e-9}\n", "line 2: grid.rate_hz is 1e-09, not 0.01 or more."),
        ("study: s\nheart: 3\n", "line 2: heart is 3, not a section of `key: value` lines."),
        ("study: s\nheart: {error_bars: maybe}\n", "heart.error_bars is 'maybe', not true or false."),
    ],
)
def test_sentences_of_settings(text: str, sentence: str) -> None:
    with pytest.raises(SettingsError) as error:
        yaml_io.parse(text, StudyFile, "study.yaml")
    assert sentence in str(error.value).replace("study.yaml line 2:", "line 2:")


@pytest.mark.parametrize("year", [1, 1600, 1969, 2200, 9999])
def test_an_event_that_no_table_can_hold_is_refused(year: int) -> None:
    sheet = f"session\tphase\tstart\tend\nS1\trest\t{year:04}-07-14T07:00\t\n"
    with pytest.raises(SettingsError, match=f"is in the year {year}, not in 1970 to 2199"):
        tsv_io.parse(sheet, Event, "events.tsv")


@pytest.fixture
def study(tmp_path: Path) -> Path:
    """A study of one session with a capture of its layout."""
    config = tmp_path / "config"
    (config / "layouts").mkdir(parents=True)
    (tmp_path / "captures").mkdir()
    layout = PROJECT / "config/layouts/beltframe.yaml"
    (config / "layouts/beltframe.yaml").write_text(layout.read_text())
    (config / "study.yaml").write_text("study: s\n")
    (config / "participants.tsv").write_text("participant\nP1\n")
    (config / "sessions.tsv").write_text(
        "session\tparticipant\tcaptures\tlayout\nS1\tP1\tcaptures/a\tbeltframe\n"
    )
    (config / "nodes.tsv").write_text((PROJECT / "config/nodes.tsv").read_text())
    raw, _ = simulate_session(random_scenario(5), load_layout(layout), Study(PROJECT).nodes_of("S01-clean"))
    (tmp_path / "captures/a").write_bytes(raw)
    return tmp_path


def check(folder: Path, capsys: pytest.CaptureFixture[str]) -> tuple[int, str]:
    code = main(["check", "--study", str(folder)])
    return code, capsys.readouterr().out


def test_a_session_is_ready_once_its_capture_holds_frames(
    study: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert check(study, capsys) == (errors.GOOD, "S1: ready\n")
    (study / "captures/a").write_bytes(b"twenty bytes of text")
    code, text = check(study, capsys)
    assert code == errors.USAGE
    assert "only 0 of 20 bytes are frames of layout beltframe" in text


def test_names_that_a_run_cannot_use_are_refused(study: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sheet = study / "config/sessions.tsv"
    whole = sheet.read_text()
    for name, sentence in (("S" + "x1" * 100, "not 64 characters or fewer"), ("a" * 30, "repeats one part")):
        sheet.write_text(whole.replace("S1", name))
        code, text = check(study, capsys)
        assert code == errors.USAGE
        assert sentence in text


def test_a_sheet_that_may_not_be_read_is_told_without_a_number(tmp_path: Path) -> None:
    with pytest.raises(SettingsError) as error:
        tsv_io.load(tmp_path, Event)  # a folder can be read by nobody, root included
    assert str(error.value) == (
        f"{tmp_path}: cannot be read: is a directory; expected a tab-separated sheet in UTF-8."
    )
