"""`nodeday explain` and `nodeday completion`: every word of the tables explained, near words named."""

from __future__ import annotations

import subprocess
import sys

import pytest
from nodeday.schemas import FEATURES, TABLES

from nodeday.cli.main import main
from nodeday.core import errors


def test_every_code_feature_and_column_is_explained(capsys: pytest.CaptureFixture[str]) -> None:
    wrong = []
    words = {(one.name, one.meaning) for one in FEATURES}
    for table in TABLES.values():
        words |= {(column.name, column.meaning) for column in table.columns}
        for column in (*table.columns, *table.template):
            words |= set((column.codes or {}).items())
    for word, meaning in sorted(words):
        assert main(["explain", word]) == errors.GOOD
        if meaning not in capsys.readouterr().out:
            wrong.append(word)
    assert not wrong


def test_all_codes_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["explain"]) == errors.GOOD
    listed = {line.split()[0] for line in capsys.readouterr().out.splitlines()}
    every = {
        code
        for table in TABLES.values()
        for column in (*table.columns, *table.template)
        if column.name != "feature"
        for code in column.codes or ()
    }
    assert listed == every


def test_the_nearest_word_is_named(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["explain", "hub_outge"]) == errors.USAGE
    sentence = "nodeday: no code, feature, column or table hub_outge (did you mean hub_outage?)."
    assert capsys.readouterr().err.startswith(sentence)
    assert main(["explain", "zzzzzz"]) == errors.USAGE
    assert "`nodeday explain` lists every code." in capsys.readouterr().err


@pytest.mark.skipif(sys.platform == "win32", reason="bash is not there")
def test_bash_completes_commands(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["completion", "bash"]) == errors.GOOD
    script = capsys.readouterr().out
    asked = "\nCOMP_WORDS=(nodeday au); COMP_CWORD=1; _shtab_nodeday nodeday au nodeday; echo ${COMPREPLY[@]}"
    done = subprocess.run(["bash", "-c", script + asked], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["audit"]
