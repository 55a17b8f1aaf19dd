"""`nodeday completion`: a script that completes commands and arguments in a shell."""

from __future__ import annotations

import argparse

from nodeday.cli.parser import Parser, ProgramParser
from nodeday.core.errors import GOOD

HELP = "a script that completes commands in your shell"
EXAMPLES = "nodeday completion bash > ~/.local/share/bash-completion/completions/nodeday"
PREAMBLE = r"""
# Sessions of the study that the line names, or of this folder. What the sheet holds is compared and never
# expanded: a name that is no code is left out.
_nodeday_sessions() {
  local folder=. at name rest
  for ((at = 1; at + 1 < ${#COMP_WORDS[@]}; at++)); do
    [[ ${COMP_WORDS[at]} == --study ]] && folder=${COMP_WORDS[at + 1]}
  done
  [[ -r $folder/config/sessions.tsv ]] || return 0
  while IFS=$'\t' read -r name rest; do
    [[ $name =~ ^[A-Za-z][A-Za-z0-9-]*$ && $name != session && $name == "$1"* ]] && echo "$name"
  done < "$folder/config/sessions.tsv"
  return 0
}
"""
FILES = ("FILE", "PLAN", "CAPTURE")


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the shell."""
    parser.add_argument("shell", choices=("bash", "zsh", "tcsh"), help="which")


def run(options: argparse.Namespace) -> int:
    """Print the script for a shell."""
    import shtab

    program: ProgramParser = options.program
    for command in program.commands.choices.values():
        assert isinstance(command, Parser)
        for argument in command.all_arguments:
            _add_completion(argument)
    print(shtab.complete(program, options.shell, preamble={"bash": PREAMBLE}))  # type: ignore[arg-type]
    return GOOD


def _add_completion(argument: argparse.Action) -> None:
    """Say what completes an argument, by the name that its help gives it."""
    import shtab

    from nodeday.schemas import TABLES

    name = argument.metavar
    if name in FILES:
        argument.complete = shtab.FILE  # type: ignore[attr-defined]
    elif name == "DIR":
        argument.complete = shtab.DIRECTORY  # type: ignore[attr-defined]
    elif name == "SESSION":
        argument.complete = {"bash": "_nodeday_sessions"}  # type: ignore[attr-defined]
    elif name == "TABLE":
        argument.choices = sorted(TABLES)
    elif name == "WORD":
        from nodeday.cli.commands.explain import known_words

        argument.choices = known_words()
