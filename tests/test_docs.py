"""Documents: their links lead somewhere, their commands exist, and their sentences are short."""

from __future__ import annotations

import argparse
import importlib.util
import re
import shlex
from functools import cache
from pathlib import Path
from types import ModuleType

import pytest
from conftest import ROOT

from nodeday.cli.main import build_parser

PAGES = sorted(
    path.relative_to(ROOT).as_posix()
    for pattern in ("*.md", "docs/*.md", "docs/*/*.md", "config/layouts/*.md", "benchmarks/*.md")
    for path in ROOT.glob(pattern)
)
LINK = re.compile(r"!?\[[^\]]*\]\(([^)\s]+)\)")
FENCE = re.compile(r"(?ms)^```(\w*)\n(.*?)^```\s*$")
MEAN, LONGEST = 18, 35
"""Words in a sentence. Common practice for readers of English as a second language, no source."""


@cache
def anchors(page: Path) -> frozenset[str]:
    """Anchors of headings, as code hosts and the site's generator make them."""
    text = FENCE.sub("", page.read_text(encoding="utf-8"))
    headings = re.findall(r"(?m)^#+ +(.+?)\s*$", text)
    plain = (re.sub(r"[^\w\- ]", "", each.replace("`", "").lower()) for each in headings)
    return frozenset(each.replace(" ", "-") for each in plain)


@pytest.mark.parametrize("name", PAGES)
def test_every_link_leads_to_a_file_and_a_heading(name: str) -> None:
    page = ROOT / name
    text = FENCE.sub("", page.read_text(encoding="utf-8"))
    for link in LINK.findall(text):
        if "://" in link or link.startswith("mailto:"):
            continue
        path, _, anchor = link.partition("#")
        target = (page.parent / path).resolve() if path else page
        assert target.exists(), f"{name}: {link}"
        if anchor:
            assert anchor in anchors(target), f"{name}: {link}"


def _commands() -> list[tuple[str, str]]:
    found = []
    for name in PAGES:
        text = (ROOT / name).read_text(encoding="utf-8")
        blocks = [body for kind, body in FENCE.findall(text) if kind in ("bash", "console", "sh")]
        lines = "\n".join(blocks).replace("\\\n", " ").splitlines()
        found += [(name, line.removeprefix("$ ").strip()) for line in lines]
    return [(name, line) for name, line in found if line.startswith("nodeday ")]


COMMANDS = _commands()


def test_the_documents_show_commands() -> None:
    assert len({line.split()[1] for _, line in COMMANDS}) > 12


@pytest.mark.parametrize(("name", "line"), COMMANDS)
def test_every_command_of_the_documents_is_one(name: str, line: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The program takes its arguments; it is not run."""
    monkeypatch.setattr(argparse.ArgumentParser, "exit", _refused)
    words = shlex.split(line, comments=True)[1:]
    if "--help" not in words and "--version" not in words:
        build_parser().parse_args(words)


def _refused(_: argparse.ArgumentParser, status: int = 0, message: str | None = None) -> None:
    raise AssertionError(message)


@pytest.mark.parametrize("name", ["commands.md", "settings.md", "errors.md"])
def test_reference_pages_are_in_step_with_the_program(name: str) -> None:
    """`make generated` writes them."""
    page = _program("reference_pages").PAGES[name]()
    assert (ROOT / "docs" / "reference" / name).read_text(encoding="utf-8") == page


def _program(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, ROOT / "docs" / f"{name}.py")
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_sentences_are_short() -> None:
    module = _program("sentences")
    own = [each for path in module.pages() for each in module.sentences(path.read_text(encoding="utf-8"))]
    assert len(own) > 500
    assert not [each for each in own if module.words(each) > LONGEST]
    assert sum(map(module.words, own)) / len(own) < MEAN


def test_what_counts_as_a_sentence() -> None:
    text = "# No\n\nOne. Two `a.b` words: three\n\n| no | no |\n\n- four\n- five six\n\n```\nno\n```\n"
    module = _program("sentences")
    assert [module.words(each) for each in module.sentences(text)] == [1, 4, 1, 2]


def test_readme_is_short_and_names_the_test_command() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert len(text.splitlines()) <= 150
    assert "make test" in text
    assert text.count("![") == 2
    for picture in re.findall(r"!\[[^\]]+\]\(([^)]+)\)", text):
        assert (ROOT / picture).stat().st_size < 200_000
