"""A new study from nothing to its page by the tutorial alone: its commands are typed into bash as they stand
there, and what they print is held to what the tutorial shows."""

from __future__ import annotations

import doctest
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from conftest import ROOT

from nodeday.core import errors
from nodeday.storage import tables

PAGE, SECTION = ROOT / "docs" / "tutorial.md", "7. Write a study of your own"
FLAGS = doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE


def dialogue(page: str) -> list[tuple[str, str]]:
    """Commands of the section with what the page shows below each, continuation lines joined."""
    section = page.split(f"\n## {SECTION}\n")[1].split("\n## ")[0]
    pairs: list[tuple[str, str]] = []
    for block in re.findall(r"(?ms)^```console\n(.*?)^```$", section):
        for line in block.splitlines():
            if line.startswith("$ "):
                pairs.append((line[2:], ""))
            elif pairs[-1][0].endswith("\\"):
                pairs[-1] = (f"{pairs[-1][0]}\n{line}", "")
            else:
                pairs[-1] = (pairs[-1][0], f"{pairs[-1][1]}{line}\n")
    return pairs


def figures_apart(text: str) -> str:
    """Figures are not compared: another processor may round another way."""
    return re.sub(r"\d+", "0", text)


@pytest.fixture(scope="module")
def typed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[tuple[str, str, int, str]]]:
    """The folder; and of each command what the tutorial shows, its exit code, and what it printed."""
    folder = tmp_path_factory.mktemp("fresh")
    commands = dialogue(PAGE.read_text())
    script = "".join(f"{command}\nprintf '\\0%d\\0' $?\n" for command, _ in commands)
    environment = {**os.environ, "PATH": f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"}
    done = subprocess.run(
        ["bash"], input=script, cwd=folder, capture_output=True, text=True, check=False, env=environment
    )
    parts = done.stdout.split("\0")
    assert "Traceback" not in done.stderr
    return folder, [
        (command, expected, int(code), printed)
        for (command, expected), printed, code in zip(commands, parts[::2], parts[1::2], strict=False)
    ]


def test_every_command_of_the_section_works(typed: tuple[Path, list[tuple[str, str, int, str]]]) -> None:
    _, ran = typed
    assert [command.split()[:2] for command, *_ in ran] == [
        ["nodeday", "init"],
        ["cd", "first-study"],
        ["nodeday", "check"],
        ["nodeday", "run"],
        ["nodeday", "audit"],
        ["nodeday", "explain"],
        ["nodeday", "status"],
    ]
    assert [code for _, _, code, _ in ran] == [errors.GOOD] * len(ran)


def test_what_is_printed_is_what_the_tutorial_shows(
    typed: tuple[Path, list[tuple[str, str, int, str]]],
) -> None:
    wrong = []
    for command, expected, _, printed in typed[1]:
        if not doctest.OutputChecker().check_output(figures_apart(expected), figures_apart(printed), FLAGS):
            wrong.append(f"{command}\n--- tutorial\n{expected}--- printed\n{printed}")
    assert not wrong, "\n".join(wrong)


def test_the_page_names_nodes_phases_coverage(
    typed: tuple[Path, list[tuple[str, str, int, str]]],
) -> None:
    study = typed[0] / "first-study"
    page = (study / "results" / "report" / "S01.html").read_text()
    words = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", re.sub(r"(?s)<(script|style)\b.*?</\1>", "", page)))
    nodes = tables.read(tables.path(study / "results", "sessions"), "sessions")
    assert set(nodes["node"]) == {"heart", "wrist"}
    for word in ("S01", "P01", "heart", "wrist", "rest", "walk", "Europe/Madrid", "01 July 2026"):
        assert word in words, word
    for coverage in nodes["coverage"]:
        assert f"{coverage:.1%}".replace("%", " %") in words
    assert "S01.html" in (study / "results" / "report" / "index.html").read_text()


def test_the_reader_of_the_tutorial_sees_commands_and_outputs() -> None:
    text = f"""
## {SECTION}
words

```console
$ one --a \\
    --b
printed

below a blank line
```

```text
not printed by anything
```

```console
$ two
```

## Next

```console
$ three
```
"""
    assert dialogue(text) == [("one --a \\\n    --b", "printed\n\nbelow a blank line\n"), ("two", "")]
