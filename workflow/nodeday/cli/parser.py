"""Help that reads like a table of contents: commands under headings, in the order of the work."""

from __future__ import annotations

import argparse
import difflib

from nodeday.core.errors import USAGE

CAUTION = "Research software: no diagnosis, no alarm, no medical device."
MORE = "`nodeday COMMAND --help` says what a command takes, with an example."


class Parser(argparse.ArgumentParser):
    """A parser whose complaints are one sentence and where to read on."""

    def _check_value(self, action: argparse.Action, value: str) -> None:
        if action.choices is not None and value not in action.choices:
            near = difflib.get_close_matches(str(value), map(str, action.choices), n=1)
            what = action.metavar or action.dest
            hint = f"did you mean {near[0]}?" if near else f"there are {', '.join(map(str, action.choices))}"
            self.error(f"no {str(what).lower()} {value} ({hint})")

    def error(self, message: str) -> None:  # type: ignore[override]
        self.exit(USAGE, f"nodeday: {message}. See `{self.prog} --help`.\n")


class Contents(Parser):
    """The program's own parser. Commands are added under the heading that was opened last."""

    def __init__(self, version: str) -> None:
        super().__init__(
            prog="nodeday",
            description="A day of raw frames from body-worn nodes, turned into validated tables.",
            add_help=False,
        )
        self.headings: list[tuple[str, list[tuple[str, str]]]] = []
        self.examples: dict[str, list[str]] = {}
        self.add_argument("-h", "--help", action="help", help="print this")
        self.add_argument("--version", action="version", version=f"nodeday {version}", help="print it")
        self.commands = self.add_subparsers(dest="command", metavar="COMMAND", parser_class=Parser)

    def heading(self, words: str) -> None:
        self.headings.append((words, []))

    def command(self, name: str, words: str, example: str, module: str) -> argparse.ArgumentParser:
        """A command with what it does in a line, an example to copy, and the module that holds it."""
        self.headings[-1][1].append((name, words))
        added = self.commands.add_parser(
            name,
            help=words,
            description=f"{words[0].upper()}{words[1:]}.",
            epilog="example"
            + "s" * ("\n" in example)
            + ":\n"
            + "\n".join(f"  {line}" for line in example.splitlines()),
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        added.set_defaults(module=module)
        self.examples[name] = example.splitlines()
        return added

    def format_help(self) -> str:
        wide = max(len(name) for _, names in self.headings for name, _ in names)
        lines = ["usage: nodeday COMMAND ...", "", str(self.description)]
        for words, names in self.headings:
            lines += ["", words, *(f"  {name:<{wide}}  {what}" for name, what in names)]
        return "\n".join([*lines, "", MORE, CAUTION, ""])
