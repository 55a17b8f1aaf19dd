"""Reference pages that follow from the program; `make generated` writes them."""

from __future__ import annotations

import argparse
import inspect
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Literal, get_args, get_origin

from pydantic import BaseModel
from pydantic_core import PydanticUndefined

from nodeday.cli.main import build_parser
from nodeday.config import bench_plan, device_records, models
from nodeday.core import errors
from nodeday.layouts.model import Layout
from nodeday.layouts.recording import RecordingFormat

FOLDER = Path(__file__).resolve().parent / "reference"
MADE = "<!-- Made by docs/reference_pages.py; `make generated` brings it back in step. -->\n"
FILES: dict[str, type[BaseModel]] = {
    "config/study.yaml": models.StudyFile,
    "config/participants.tsv": models.Participant,
    "config/sessions.tsv": models.Session,
    "config/nodes.tsv": models.Node,
    "config/events.tsv": models.Event,
    "config/bench.yaml": bench_plan.BenchPlan,
    "device records": device_records.Record,
    "config/layouts/*.yaml": Layout,
    "config/recorded/*.yaml": RecordingFormat,
}
CODES = {
    errors.GOOD: ("good", "The command did all that it was asked to do."),
    errors.FAULT: ("a fault of nodeday", "Report it, with the command and what it printed."),
    errors.USAGE: (
        "usage or settings",
        "Correct the argument, setting or sheet that the sentence names.",
    ),
    errors.CONTRACT: (
        "data",
        "The data break a contract, a count does not balance, or a limit is not met. Read the sentence.",
    ),
    errors.STOPPED: ("stopped by Ctrl-C", "Give the same command again. It goes on from there."),
}


def cell(text: str) -> str:
    """Return text that fits a cell of a table."""
    return " ".join(text.split()).replace("|", "\\|").replace("<", "&lt;")


def commands_of(parser: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser]:
    """Return the parsers of the commands below a parser, by name."""
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            return dict(action.choices)
    return {}


def commands() -> str:
    """Return the page of commands with their arguments."""
    program = build_parser()
    lines = [MADE, "# Commands\n"]
    parsers = commands_of(program)
    for heading, names in program.headings.items():
        lines.append(f"## {heading}\n")
        for name in names:
            lines += _command(f"nodeday {name}", parsers[name], 3)
    return "\n".join(lines)


def _command(name: str, parser: argparse.ArgumentParser, level: int) -> Iterator[str]:
    yield f"{'#' * level} {name}\n"
    if parser.description:
        yield f"{parser.description}\n"
    rows = [
        (action.option_strings or [str(action.metavar or action.dest)], action.help or "")
        for action in parser._actions
        if not isinstance(action, argparse._SubParsersAction | argparse._HelpAction)
    ]
    if rows:
        yield "| argument | meaning |\n|---|---|"
        for names, words in rows:
            shown = ", ".join(f"`{each}`" for each in names)
            yield f"| {shown} | {cell(words.replace('%%', '%'))} |"
        yield ""
    for part, below in commands_of(parser).items():
        yield from _command(f"{name} {part}", below, level + 1)


def settings() -> str:
    """Return the page of settings: each key with its type, default and allowed values."""
    lines = [MADE, "# Settings\n", "Each key is checked. An unknown key is refused.\n"]
    for title, model in FILES.items():
        lines += [f"## {title}\n"]
        seen: list[type[BaseModel]] = [model]
        for each in seen:
            lines += _model(each, "" if each is model else f"### {each.__name__}\n")
            seen += [below for below in _models_below(each) if below not in seen]
    return "\n".join(lines)


def _models_below(model: type[BaseModel]) -> Iterator[type[BaseModel]]:
    def inside(kind: Any) -> Iterator[type[BaseModel]]:
        if isinstance(kind, type) and issubclass(kind, BaseModel) and not get_args(kind):
            yield kind
        for part in get_args(kind):
            yield from inside(part)

    for field in model.model_fields.values():
        yield from inside(field.annotation)


def _model(model: type[BaseModel], heading: str) -> Iterator[str]:
    if heading:
        yield heading
    yield f"{re.sub('``', '`', inspect.getdoc(model) or '')}\n"
    yield "| key | type | default | allowed |\n|---|---|---|---|"
    for name, field in model.model_fields.items():
        default = "required" if field.is_required() else _default(field)
        allowed = [each for each in map(_bound, field.metadata) if each]
        row = (
            f"`{field.alias or name}`",
            cell(_type(field.annotation)),
            cell(default),
            cell(", ".join(allowed)),
        )
        yield f"| {' | '.join(row)} |"
    yield ""


def _default(field: Any) -> str:
    if field.default is PydanticUndefined or isinstance(field.default, BaseModel):
        return "as below" if isinstance(field.default, BaseModel) else "empty"
    return f"`{field.default!r}`"


def _type(kind: Any) -> str:
    words = {"str": "text", "int": "whole number", "float": "number", "bool": "true or false"}
    origin, parts = get_origin(kind), [part for part in get_args(kind) if part is not Ellipsis]
    if origin is Annotated:
        return _type(parts[0])
    if origin is Literal:
        return "one of " + ", ".join(f"`{part}`" for part in parts)
    if origin is dict:
        return f"{_type(parts[1])} by {_type(parts[0])}"
    if origin in (tuple, list):
        return f"list of {_type(parts[0])}"
    if parts:  # a union; None in it says that the key may be left out
        return " or ".join(_type(part) for part in parts if part is not type(None))
    return words.get(name := getattr(kind, "__name__", str(kind)), name)


def _bound(each: Any) -> str:
    words = {"ge": "at least", "gt": "more than", "le": "at most", "lt": "less than"}
    return " ".join(f"{say} {getattr(each, key):g}" for key, say in words.items() if hasattr(each, key))


def exit_codes() -> str:
    """Return the page of exit codes and of the form of an error."""
    rows = [f"| {code} | {word} | {what} |" for code, (word, what) in CODES.items()]
    return "\n".join(
        [
            MADE,
            "# Errors and exit codes\n",
            "An error is one sentence. It says where, what was found, what was expected, and what to do.\n",
            "| exit code | meaning | what to do |\n|---|---|---|",
            *rows,
            "",
        ]
    )


PAGES = {"commands.md": commands, "settings.md": settings, "errors.md": exit_codes}


def main() -> None:
    """Write every page."""
    FOLDER.mkdir(exist_ok=True)
    for name, page in PAGES.items():
        (FOLDER / name).write_text(page())


if __name__ == "__main__":
    main()
