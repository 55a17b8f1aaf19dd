"""`nodeday completion`: a script that completes commands, and what stands behind each argument."""

from __future__ import annotations

import argparse

from nodeday.core.errors import GOOD

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


def completion(options: argparse.Namespace) -> int:
    """Print the script for a shell."""
    import shtab

    from nodeday.cli.main import build

    parser = build()
    for command in parser.commands.choices.values():
        for action in command._actions:  # argparse lets nobody ask for them
            _complete(action)
    print(shtab.complete(parser, options.shell, preamble={"bash": PREAMBLE}))  # type: ignore[arg-type]
    return GOOD


def _complete(action: argparse.Action) -> None:
    """What may stand behind an argument, by the name that its help gives it."""
    import shtab

    from nodeday.schemas import TABLES

    name = action.metavar
    if name in FILES:
        action.complete = shtab.FILE  # type: ignore[attr-defined]
    elif name == "DIR":
        action.complete = shtab.DIRECTORY  # type: ignore[attr-defined]
    elif name == "SESSION":
        action.complete = {"bash": "_nodeday_sessions"}  # type: ignore[attr-defined]
    elif name == "TABLE":
        action.choices = sorted(TABLES)
    elif name == "WORD":
        from nodeday.cli.commands.explain import words

        action.choices = words()
