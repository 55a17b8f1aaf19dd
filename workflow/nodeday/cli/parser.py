"""Parser of the command line: help by headings, complaints of one sentence.

argparse offers no public way to two things. Its private names stand in :class:`Parser` alone, and
tests/test_cli.py names them.
"""

from __future__ import annotations

import argparse
from typing import Any, Protocol

from nodeday.core.errors import USAGE, did_you_mean

CAUTION = "Research software: no diagnosis, no alarm, no medical device."
MORE = "`nodeday COMMAND --help` says what a command takes, with an example."


class Command(Protocol):
    """Module of one command, named as the command is.

    ``HELP`` is its line on the first help page. ``EXAMPLES`` are calls to copy, a line each.
    """

    __name__: str
    HELP: str
    EXAMPLES: str

    def arguments(self, parser: argparse.ArgumentParser) -> None:
        """Add the arguments of the command."""

    def run(self, options: argparse.Namespace) -> int:
        """Run the command and return its exit code."""


class Parser(argparse.ArgumentParser):
    """Parser whose complaints are one sentence and where to read on."""

    @property
    def all_arguments(self) -> list[argparse.Action]:
        """Arguments in the order of their declaration, those in groups too."""
        return list(self._actions)  # no public list; the public add_argument misses arguments of groups

    def _check_value(self, action: argparse.Action, value: str) -> None:
        # No public hook: a type function would put "argument X:" before the sentence.
        if action.choices is not None and value not in action.choices:
            known = [str(each) for each in action.choices]
            hint = did_you_mean(str(value), known) or f" (there are {', '.join(known)})"
            self.error(f"no {str(action.metavar or action.dest).lower()} {value}{hint}")

    def error(self, message: str) -> None:  # type: ignore[override]
        self.exit(USAGE, f"nodeday: {message}. See `{self.prog} --help`.\n")


class ProgramParser(Parser):
    """Parser of the whole program, whose first help page lists commands under headings."""

    def __init__(self, version: str) -> None:
        super().__init__(
            prog="nodeday",
            description="A day of raw frames from body-worn nodes, turned into validated tables.",
            add_help=False,
        )
        self.headings: dict[str, dict[str, str]] = {}
        self.add_argument("-h", "--help", action="help", help="print this")
        self.add_argument("--version", action="version", version=f"nodeday {version}", help="print it")
        self.commands = self.add_subparsers(dest="command", metavar="COMMAND", parser_class=Parser)
        self.set_defaults(program=self)  # the command `completion` reads every argument

    def add_command(self, command: Command, heading: str = "") -> None:
        """Add a command; without a heading it works, but neither first page nor completion lists it."""
        name = command.__name__.rpartition(".")[2]
        examples = command.EXAMPLES.splitlines()
        listed: dict[str, Any] = {"help": command.HELP} if heading else {}
        added = self.commands.add_parser(
            name,
            description=f"{command.HELP[0].upper()}{command.HELP[1:]}.",
            epilog="\n  ".join([f"example{'s' * (len(examples) > 1)}:", *examples]),
            formatter_class=argparse.RawDescriptionHelpFormatter,
            **listed,
        )
        command.arguments(added)
        added.set_defaults(run=command.run)
        if heading:
            self.headings.setdefault(heading, {})[name] = command.HELP

    def format_help(self) -> str:
        width = max(len(name) for commands in self.headings.values() for name in commands)
        lines = ["usage: nodeday COMMAND ...", "", str(self.description)]
        for heading, commands in self.headings.items():
            lines += ["", heading, *(f"  {name:<{width}}  {words}" for name, words in commands.items())]
        return "\n".join([*lines, "", MORE, CAUTION, ""])
