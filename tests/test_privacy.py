"""No people in a study's settings: what is refused, and the codes that must pass."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from nodeday.cli.main import main
from nodeday.config.study import Study
from nodeday.core import errors, privacy
from nodeday.core.errors import SettingsError
from nodeday.core.paths import DEMO_CONFIG

GOOD = [
    "P01",
    "S01-clean",
    "chest",
    "left-wrist",
    "harvest",
    "captures/20260714_070000.bin",
    "beltframe",
    "captures/S01.bin | captures/S01-heart-memory.bin",
    "S2026-07-14",
    "Worker-12",
    "GH-A-03",
    "Pilot-2",
    "Break-2",
    "Hub-A",
    "P2024-01",
    "SUB-001",
    "CTRL-12",
    "captures/hub-a.bin; captures/hub-b.bin",
    "0123",
    "16",
    "P1984",
    "34",
    "62.5",
    "Europe/Madrid",
    "*",
    "",
]
BAD = {
    "Erika Muster": "a name",
    "MUSTER, Erika": "a name",
    "Erika-Muster": "a name",
    "José Álvarez": "a name",
    "captures/Erika_Muster.bin": "a name",
    "12.03.1984": "a birth date",
    "03/12/1984": "a birth date",
    "1984-03-12": "a birth date",
    "P19840312": "a birth date",
    "+34 600 123 456": "a phone number",
    "0034600123456": "a phone number",
    "0176 12345678": "a phone number",
    "e.m@clinic.example": "an e-mail address",
}


def test_codes_placements_and_files_pass() -> None:
    assert [value for value in GOOD if privacy.looks_like(value)] == []


@pytest.mark.parametrize(("value", "what"), BAD.items())
def test_what_looks_like_a_person_is_told(value: str, what: str) -> None:
    assert privacy.looks_like(value) == what


COLUMNS = [
    "name",
    "First name",
    "surname",
    "family_name",
    "date-of-birth",
    "birthdate",
    "dob",
    "email",
    "e-mail",
    "phone",
    "mobile_phone",
    "patient_id",
    "initials",
]


@pytest.mark.parametrize("name", COLUMNS)
def test_columns_of_persons_are_told(name: str) -> None:
    assert privacy.is_personal_column(name)


def test_the_sheets_own_columns_pass() -> None:
    for sheet in DEMO_CONFIG.glob("*.tsv"):
        for name in sheet.read_text().splitlines()[0].split("\t"):
            assert not privacy.is_personal_column(name), name


PEOPLE = "participant\tage_years\n"
NODES = "session\tnode\taddress\tplacement\n*\thub\t0\thub\n*\theart\t16\t"
EVENTS = "session\tphase\tstart\tend\n"
TITLE, NOTE = "study: trial\ntitle: ask e.m@clinic.example\n", "study: trial\n# call +34 600 123 456\n"
HEAD = "session\tparticipant\tcaptures\tlayout\n"


@pytest.mark.parametrize(
    ("file", "text", "sentence"),
    [
        ("participants.tsv", "participant\tsurname\nP1\tx\n", "line 1: column surname looks as if it held"),
        ("participants.tsv", PEOPLE + "Erika\t40\n", "line 2: participant looks like a name"),
        ("participants.tsv", PEOPLE + "P1\t40\nEM1984\t40\n", "line 3: participant looks like initials"),
        ("participants.tsv", PEOPLE + "P-2019-05-04\t6\n", "line 2: participant looks like a birth date"),
        ("sessions.tsv", HEAD + "S1\tP1\tcaptures/Erika_Muster.bin\tb\n", "captures looks like a name"),
        ("sessions.tsv", HEAD.replace("layout", "email") + "S1\tP1\tc\ta@b.example\n", "column email"),
        ("nodes.tsv", NODES + "em@clinic.example\n", "line 3: placement looks like an e-mail address"),
        ("events.tsv", EVENTS + "S1\t0176-12345678\t2026-07-14T08:00\t\n", "phase looks like a phone number"),
        ("study.yaml", TITLE, "study.yaml line 2: holds an e-mail address"),
        ("study.yaml", NOTE, "study.yaml line 2: holds a phone number"),
    ],
)
def test_check_refuses_people_in_every_sheet(
    study_folder: Callable[..., Path], capsys: pytest.CaptureFixture[str], file: str, text: str, sentence: str
) -> None:
    folder = study_folder(**{file: text})
    assert main(["check", "--study", str(folder)]) == errors.USAGE
    told = capsys.readouterr().out
    assert sentence in told
    assert "keep the list that links codes to people somewhere else" in told
    assert "Muster" not in told  # the error does not spread what it found
    assert "clinic" not in told


def test_instants_of_notes_are_no_birth_dates(study_folder: Callable[..., Path]) -> None:
    rows = "S1\tMorning-Shift\t2014-03-12T08:00\t\n"
    assert len(Study(study_folder(**{"events.tsv": EVENTS + rows})).events) == 1


def test_a_date_among_participants_is_refused_whatever_its_year(study_folder: Callable[..., Path]) -> None:
    with pytest.raises(SettingsError, match="looks like a birth date"):
        Study(study_folder(**{"participants.tsv": PEOPLE + "P2023-07-14\t3\n"}))
