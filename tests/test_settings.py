"""Settings: every bad input gives one clear sentence that says where it is and what would do."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import pytest
from conftest import CONFIG, ROOT

from nodeday.config import checks
from nodeday.config.study import Study
from nodeday.core.errors import SettingsError

Maker = Callable[..., Path]
STUDY = "study: trial\nzone: Europe/Madrid\n"
SESSIONS = "session\tparticipant\tcaptures\tlayout\tzone\tstart\tend\n"
NODES = "session\tnode\taddress\tplacement\n*\theart\t16\tchest\n"
EVENTS = "session\tphase\tstart\tend\n"


def row(session: str = "S1", zone: str = "", start: str = "", end: str = "") -> str:
    return f"{session}\tP1\tcaptures/S1.bin\tbeltframe\t{zone}\t{start}\t{end}\n"


def test_the_demo_is_in_order() -> None:
    study = Study(ROOT)
    assert study.sessions
    assert not [problem for name in study.sessions for problem in checks.problems(study, name)]
    assert sorted(path.name for path in CONFIG.glob("*.tsv")) == [
        "events.tsv",
        "nodes.tsv",
        "participants.tsv",
        "sessions.tsv",
    ]


def test_a_small_study_is_in_order(study_folder: Maker) -> None:
    study = Study(study_folder())
    assert checks.problems(study, "S1") == []
    assert {address: node.node for address, node in study.nodes_of("S1").items()} == {0: "hub", 16: "heart"}
    assert study.layout_of("S1").stream("ecg").rate_hz == 250
    assert study.written_span("S1") == (None, None)


# file, text, sentence after the study's folder
WHOLE = {
    "misspelt key": (
        "study.yaml",
        STUDY + "epochs:\n  second: 30\n",
        "config/study.yaml line 4: unknown key epochs.second (did you mean seconds?).",
    ),
    "two misspelt keys": (
        "study.yaml",
        "study: trial\nzon: UTC\nlimit: {}\n",
        "config/study.yaml line 2: unknown key zon (did you mean zone?); "
        "line 3: unknown key limit (did you mean limits?).",
    ),
    "key twice": (
        "study.yaml",
        STUDY + "zone: UTC\n",
        "config/study.yaml line 3: key zone is there twice; expected each key once.",
    ),
    "out of range": (
        "study.yaml",
        STUDY + "epochs:\n  min_coverage: 80\n",
        "config/study.yaml line 4: epochs.min_coverage is 80, not 1 or less.",
    ),
    "no number": (
        "study.yaml",
        STUDY + "epochs: {seconds: half a minute}\n",
        "config/study.yaml line 3: epochs.seconds is 'half a minute', not a whole number.",
    ),
    "unknown zone": (
        "study.yaml",
        "study: trial\nzone: Europe/Madird\n",
        "config/study.yaml line 2: zone: no time zone is named Europe/Madird (did you mean Europe/Madrid?).",
    ),
    "code of the study": (
        "study.yaml",
        "study: my study\n",
        "config/study.yaml line 1: study is 'my study', not a letter, then letters, digits or hyphens.",
    ),
    "no YAML": (
        "study.yaml",
        "study: [trial\n",
        "config/study.yaml line 2: is not YAML (expected ',' or ']', but got '<stream end>').",
    ),
    "empty YAML": (
        "study.yaml",
        "# nothing yet\n",
        "config/study.yaml: holds no keys; expected `key: value` lines.",
    ),
    "unknown column": (
        "nodes.tsv",
        "session\tnode\tadress\tplacement\n",
        "config/nodes.tsv line 1: unknown column adress (did you mean address?).",
    ),
    "column twice": (
        "nodes.tsv",
        "session\tnode\tnode\n",
        "config/nodes.tsv line 1: column node is there twice; expected each column once.",
    ),
    "too many cells": (
        "nodes.tsv",
        NODES + "*\twrist\t18\twrist\t3\n",
        "config/nodes.tsv: line 3: more cells than the header has columns.",
    ),
    "missing cell": (
        "nodes.tsv",
        NODES + "*\twrist\t\twrist\n",
        "config/nodes.tsv: line 3: address is missing.",
    ),
    "line after an empty one": (
        "nodes.tsv",
        NODES + "\n*\twrist\tx\twrist\n",
        "config/nodes.tsv: line 4: address is 'x', not a whole number.",
    ),
    "code of a node": (
        "nodes.tsv",
        NODES + "*\tLeft Wrist\t18\twrist\n",
        "config/nodes.tsv: line 3: node is 'Left Wrist', not a small letter, then small letters or digits.",
    ),
    "code of a participant": (
        "participants.tsv",
        "participant\n1st\n",
        "config/participants.tsv: line 2: participant is '1st', "
        "not a letter, then letters, digits or hyphens.",
    ),
    "two bad rows": (
        "participants.tsv",
        "participant\tage_years\n1st\t\nP2\t200\n",
        "config/participants.tsv: line 2: participant is '1st', "
        "not a letter, then letters, digits or hyphens; "
        "line 3: age_years is '200', not 120 or less.",
    ),
    "participant twice": (
        "participants.tsv",
        "participant\nP1\nP1\n",
        "config/participants.tsv: more than one row for P1; expected a row each.",
    ),
    "session twice": (
        "sessions.tsv",
        SESSIONS + row() + row(),
        "config/sessions.tsv: more than one row for S1; expected a row each.",
    ),
    "zone of a session": (
        "sessions.tsv",
        SESSIONS + row(zone="Asia/Tokio"),
        "config/sessions.tsv: line 2: zone: no time zone is named Asia/Tokio (did you mean Asia/Tokyo?).",
    ),
    "a start that is no time": (
        "sessions.tsv",
        SESSIONS + row(start="noon"),
        "config/sessions.tsv: line 2: start is 'noon', not a date and time such as 2026-07-14T07:30.",
    ),
    "event of a stranger": (
        "events.tsv",
        EVENTS + "S2\trest\t2026-07-14T07:00:00\t\n",
        "config/sessions.tsv: nodes.tsv or events.tsv name S2, which has no row here; expected a row each.",
    ),
    "node of a stranger": (
        "nodes.tsv",
        NODES + "S3\twrist\t18\twrist\n",
        "config/sessions.tsv: nodes.tsv or events.tsv name S3, which has no row here; expected a row each.",
    ),
}


@pytest.mark.parametrize("case", WHOLE)
def test_a_study_that_cannot_be_read(case: str, study_folder: Maker) -> None:
    name, text, sentence = WHOLE[case]
    folder = study_folder(**{name: text})
    with pytest.raises(SettingsError) as raised:
        Study(folder)
    assert str(raised.value).removeprefix(f"{folder}/") == sentence
    assert raised.value.exit_code == 2


# file, text, sentences; {folder} is the study's folder
SESSION = {
    "two nodes one address": (
        "nodes.tsv",
        NODES + "*\twrist\t16\twrist\n",
        [
            "config/nodes.tsv, session S1: nodes heart and wrist both have address 16; "
            "expected an address each."
        ],
    ),
    "no nodes": (
        "nodes.tsv",
        "session\tnode\taddress\tplacement\n*\thub\t0\thub\n",
        ["config/nodes.tsv, session S1: has no nodes; expected at least one row besides the hub's."],
    ),
    "end before start": (
        "sessions.tsv",
        SESSIONS + row(start="2026-07-14T17:00", end="2026-07-14T07:00"),
        [
            "session S1: ends at 2026-07-14 07:00:00, before its start 2026-07-14 17:00:00; "
            "expected a later end. Correct config/sessions.tsv."
        ],
    ),
    "a time that comes twice": (
        "sessions.tsv",
        SESSIONS + row(start="2026-10-25T02:30"),
        [
            "session S1: local time 2026-10-25 02:30:00 exists twice or not at all in Europe/Madrid; "
            "expected an instant with its UTC offset, such as 2026-10-25T02:30+02:00."
        ],
    ),
    "a time that never comes": (
        "events.tsv",
        EVENTS + "S1\trest\t2026-03-29T02:30\t\n",
        [
            "session S1: local time 2026-03-29 02:30:00 exists twice or not at all in Europe/Madrid; "
            "expected an instant with its UTC offset, such as 2026-10-25T02:30+02:00."
        ],
    ),
    "a phase that ends before it starts": (
        "events.tsv",
        EVENTS + "S1\trest\t2026-07-14T08:00\t2026-07-14T07:00\n",
        [
            "session S1: phase rest ends at 2026-07-14 07:00:00, before its start 2026-07-14 08:00:00; "
            "expected a later end. Correct config/events.tsv."
        ],
    ),
    "no capture": (
        "sessions.tsv",
        SESSIONS + row().replace("S1.bin", "S1.bin; captures/S2.bin"),
        ["session S1: no capture at {folder}/captures/S2.bin; expected the file that sessions.tsv names."],
    ),
    "no layout": (
        "sessions.tsv",
        SESSIONS + row().replace("beltframe", "armframe"),
        ["{folder}/config/layouts/armframe.yaml: no such file. Run `nodeday init` for a fresh one."],
    ),
    "unknown participant": (
        "participants.tsv",
        "participant\nP7\n",
        ["session S1: participant P1 is not in config/participants.tsv; expected a row for it."],
    ),
    "pattern for a stream that is no ECG": (
        "study.yaml",
        STUDY + "fill:\n  acc: {method: pattern, max_ms: 100}\n",
        [
            "config/study.yaml: fill of acc is by pattern, which is for an ECG of one channel in mV; "
            "expected an ECG, or the method cubic."
        ],
    ),
    "fill of a stream that is none": (
        "study.yaml",
        STUDY + "fill:\n  accc: {method: cubic, max_ms: 100}\n",
        [
            "config/study.yaml: fill names accc, a stream of no layout (did you mean acc?); "
            "expected one of acc, ecg, mark, temp."
        ],
    ),
    "everything at once": (
        "sessions.tsv",
        SESSIONS + "S1\tP9\tnone.bin\tnone\t\t2026-07-14T08:00\t2026-07-14T08:00\n",
        [
            "{folder}/config/layouts/none.yaml: no such file. Run `nodeday init` for a fresh one.",
            "session S1: ends at 2026-07-14 08:00:00, before its start 2026-07-14 08:00:00; "
            "expected a later end. Correct config/sessions.tsv.",
            "session S1: no capture at {folder}/none.bin; expected the file that sessions.tsv names.",
            "session S1: participant P9 is not in config/participants.tsv; expected a row for it.",
        ],
    ),
}


@pytest.mark.parametrize("case", SESSION)
def test_a_session_that_cannot_run(case: str, study_folder: Maker) -> None:
    name, text, sentences = SESSION[case]
    folder = study_folder(**{name: text})
    found = [str(problem) for problem in checks.problems(Study(folder), "S1")]
    assert found == [sentence.replace("{folder}", str(folder)) for sentence in sentences]


def two_layouts(study_folder: Maker, nodes: str) -> Path:
    """A study whose session has two layouts, the first of which describes the hub's marks."""
    sessions = SESSIONS + row().replace("beltframe", "beltframe; armframe")
    folder = study_folder(**{"sessions.tsv": sessions, "nodes.tsv": nodes})
    text = (folder / "config/layouts/beltframe.yaml").read_text()
    armframe = text.replace("layout: beltframe", "layout: armframe")
    (folder / "config/layouts/armframe.yaml").write_text(armframe)
    return folder


def test_two_layouts_need_no_hub_in_the_sheet(study_folder: Maker) -> None:
    """What `check` calls ready has a layout for all that the stages ask: the hub's stamps are in both."""
    nodes = "session\tnode\taddress\tplacement\tlayout\n*\theart\t16\tchest\tarmframe\n"
    study = Study(two_layouts(study_folder, nodes))
    assert checks.problems(study, "S1") == []
    assert study.layout_of("S1").layout == "beltframe"
    assert study.layout_of("S1", "heart").layout == "armframe"


def test_a_hub_in_the_sheet_needs_its_layout(study_folder: Maker) -> None:
    nodes = "session\tnode\taddress\tplacement\tlayout\n*\theart\t16\tchest\tarmframe\n*\thub\t0\thub\t\n"
    found = checks.problems(Study(two_layouts(study_folder, nodes)), "S1")
    assert [str(problem) for problem in found] == [
        "config/nodes.tsv, session S1: node hub has no layout; "
        "expected one of beltframe, armframe in the column layout."
    ]


def test_only_a_pattern_states_a_probability(study_folder: Maker) -> None:
    fill = "fill:\n  acc: {method: cubic, max_ms: 100, min_probability: 0.9}\n"
    with pytest.raises(
        SettingsError, match=r"fill\.acc\.min_probability: only the method pattern states a prob"
    ):
        Study(study_folder(**{"study.yaml": STUDY + fill}))


@pytest.mark.parametrize(
    ("stream", "kind", "ready"),
    [("lead", "ecg", True), ("lead", None, True), ("lead", "other", False), ("ecg", "other", False)],
)
def test_a_pattern_is_for_what_is_declared_an_ecg(
    study_folder: Maker, stream: str, kind: str | None, ready: bool
) -> None:
    folder = study_folder(**{"study.yaml": STUDY + f"fill:\n  {stream}: {{method: pattern, max_ms: 100}}\n"})
    file = folder / "config/layouts/beltframe.yaml"
    declared = f"\n    type: {kind}" if kind else ""
    file.write_text(file.read_text().replace("stream: ecg", f"stream: {stream}{declared}"))
    found = [str(problem) for problem in checks.problems(Study(folder), "S1")]
    assert bool(found) != ready
    assert all("by pattern, which is for an ECG" in sentence for sentence in found)


def test_an_empty_capture(study_folder: Maker) -> None:
    folder = study_folder()
    (folder / "captures" / "S1.bin").write_bytes(b"")
    assert [str(problem) for problem in checks.problems(Study(folder), "S1")] == [
        f"session S1: capture {folder}/captures/S1.bin is empty; expected frames. Check the logger."
    ]


def test_a_session_that_is_not_there(study_folder: Maker) -> None:
    folder = study_folder()
    with pytest.raises(SettingsError) as raised:
        Study(folder).session("S01")
    assert str(raised.value) == (
        f"{folder}/config/sessions.tsv: no session S01 (did you mean S1?). "
        "`nodeday status` lists the sessions."
    )


def test_a_folder_without_a_study(tmp_path: Path) -> None:
    with pytest.raises(SettingsError) as raised:
        Study(tmp_path)
    assert str(raised.value) == (
        f"{tmp_path}/config/study.yaml: no such file. Run `nodeday init` for a fresh one."
    )


def test_a_sheet_from_a_spreadsheet_is_read(study_folder: Maker) -> None:
    """A byte order mark, Windows line ends, an empty last line and empty cells are no problem."""
    text = "\ufeffparticipant\tage_years\tresting_bpm\r\nP1\t40\t\r\n\r\n"
    participant = Study(study_folder(**{"participants.tsv": text})).participants[0]
    assert (participant.participant, participant.age_years, participant.resting_bpm) == ("P1", 40, None)


def test_a_row_of_its_own_wins(study_folder: Maker) -> None:
    study = Study(study_folder(**{"nodes.tsv": NODES + "S1\theart\t77\tback\n*\twrist\t16\twrist\n"}))
    assert {n.node: (a, n.placement) for a, n in study.nodes_of("S1").items()} == {
        "heart": (77, "back"),
        "wrist": (16, "wrist"),
    }


HOUR = 3_600 * 10**9


def test_days_of_23_and_25_hours(study_folder: Maker) -> None:
    """Clocks in Madrid go forward on 2026-03-29 at 02:00 and back on 2026-10-25 at 03:00."""
    study = Study(study_folder())
    for day, hours in (("2026-03-29", 23), ("2026-07-14", 24), ("2026-10-25", 25)):
        midnight = datetime.fromisoformat(day)
        after = midnight.replace(day=midnight.day + 1)
        assert study.utc_ns("S1", after) - study.utc_ns("S1", midnight) == hours * HOUR


def test_instants_are_exact(study_folder: Maker) -> None:
    """2026-07-14 07:00 in Madrid is 05:00 UTC; microseconds survive."""
    study = Study(study_folder())
    assert study.utc_ns("S1", datetime.fromisoformat("2026-07-14T07:00:00.000001")) == 1784005200000001000
    offset = datetime.fromisoformat("2026-10-25T02:30+01:00")
    assert study.utc_ns("S1", offset) == 1792891800 * 10**9


def test_an_open_phase_lasts_to_the_next(study_folder: Maker) -> None:
    events = EVENTS + "S1\twork\t2026-07-14T08:00\t\nS1\trest\t2026-07-14T07:00\t\n"
    study = Study(study_folder(**{"events.tsv": events}))
    at_seven = 1784005200 * 10**9
    assert study.phases_of("S1") == [("rest", at_seven, at_seven + HOUR), ("work", at_seven + HOUR, None)]


# --- sessions that share time --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("begin", "end", "zone", "shared"),
    [
        ("2026-07-14T09:00", "2026-07-14T11:00", "", True),
        ("2026-07-14T10:00", "2026-07-14T11:00", "", False),  # one ends where the next begins
        ("2026-07-14T09:00", "2026-07-14T10:00", "Europe/London", False),  # an hour behind
        ("2026-07-14T09:00", "", "", True),  # it lasts to the end of the capture that both share
        ("2026-07-14T10:00", "", "", False),
        ("", "2026-07-14T08:00", "", False),
        ("", "2026-07-14T08:01", "", True),
        ("", "", "", True),
    ],
)
def test_two_sessions_of_one_participant_share_no_time(
    begin: str, end: str, zone: str, shared: bool, study_folder: Maker
) -> None:
    first = row(start="2026-07-14T08:00", end="2026-07-14T10:00")
    text = SESSIONS + first + row("S2", zone, begin, end)
    study = Study(study_folder(**{"sessions.tsv": text}))
    assert checks.problems(study, "S1") == []
    problems = [str(one) for one in checks.problems(study, "S2")]
    assert [("overlaps session S1 of participant P1" in one) for one in problems] == [True] * shared


def test_sessions_of_two_captures_are_compared_by_written_edges_alone(study_folder: Maker) -> None:
    """Without its end nothing is known of when the other capture was."""
    other = row("S2", "", "2026-07-14T09:00", "").replace("S1.bin", "S2.bin")
    text = SESSIONS + row(start="2026-07-14T08:00", end="2026-07-14T10:00") + other
    study = Study(study_folder(**{"sessions.tsv": text}))
    assert not [one for one in checks.problems(study, "S2", captures=False) if "overlaps" in str(one)]


def test_what_to_do_about_two_sessions_of_one_capture(study_folder: Maker) -> None:
    text = SESSIONS + row() + row("S2")
    study = Study(study_folder(**{"sessions.tsv": text}))
    assert [str(one) for one in checks.problems(study, "S2")] == [
        "config/sessions.tsv, session S2: its capture's start to its capture's end overlaps session S1 of "
        "participant P1, its capture's start to its capture's end; expected no time in two sessions of one "
        "participant. They share a capture: give each a start and an end, one after the other."
    ]


@pytest.mark.parametrize(
    ("second", "sentence"),
    [
        (
            row("S2", "", "2026-07-14T08:00", "2026-07-14T10:00").replace("S1.bin", "S2.bin"),
            "config/sessions.tsv, session S2: end 2026-07-14 10:00:00 cannot be applied, since no layout has "
            "host marks that date the capture; expected a kind with a field of role utc in the layout. Leave "
            "it empty: a start alone dates the first frame, to a minute.",
        ),
        (
            row("S2", "", "2026-07-14T08:00").replace("P1", "P2"),
            "config/sessions.tsv, session S2: start 2026-07-14 08:00:00 dates a capture that session S1 "
            "takes with another start; expected a kind with a field of role utc in the layout. Without host "
            "marks a capture can be one session only: take a row out.",
        ),
    ],
)
def test_a_layout_without_host_marks_cuts_nothing(second: str, sentence: str, study_folder: Maker) -> None:
    folder = study_folder(**{"sessions.tsv": SESSIONS + row() + second})
    layout = folder / "config" / "layouts" / "beltframe.yaml"
    mark = "role: utc, bits: 64, unit_ns: 1000000, rounding: up, read: after"
    layout.write_text(layout.read_text().replace(mark, "role: other, bits: 64"))
    problems = checks.problems(Study(folder), "S2", captures=False)
    assert [str(one) for one in problems if "participants" not in str(one)] == [sentence]


def test_sessions_of_two_participants_may_share_time(study_folder: Maker) -> None:
    first = row(start="2026-07-14T08:00", end="2026-07-14T10:00")
    text = SESSIONS + first + first.replace("S1\tP1", "S2\tP2")
    people = "participant\tage_years\tresting_bpm\nP1\t40\t60\nP2\t40\t60\n"
    study = Study(study_folder(**{"sessions.tsv": text, "participants.tsv": people}))
    assert checks.problems(study, "S2") == []
