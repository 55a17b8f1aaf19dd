"""Entry point of the command line: dispatch, and the sentence and exit code of an error."""

from __future__ import annotations

import atexit
import gc
import os
import sys

from nodeday import __version__
from nodeday.cli.parser import ProgramParser
from nodeday.core.errors import FAULT, GOOD, STOPPED, NodedayError, of_system

SERVE = "serve"
"""First argument of the process that `nodeday run` starts for its jobs; no command of a person."""
FORWARDED = ("stage", "export")
"""Commands of rules, which a process with its libraries imported does where there is one."""


def main(arguments: list[str] | None = None) -> int:
    """Run one command; return 0 good, 1 a fault of nodeday, 2 usage or settings, 3 data, 130 stopped."""
    arguments = sys.argv[1:] if arguments is None else arguments
    for library in ("OMP", "OPENBLAS"):  # of linear algebra
        # Its threads would sum in another order on a machine with other cores, and stages fork.
        os.environ.setdefault(f"{library}_NUM_THREADS", "1")
    atexit.register(gc.freeze)  # else the end of a run would look through all there is for garbage
    if arguments[:1] == [SERVE]:
        from nodeday.cli.serve import serve

        return serve(arguments[1], main)
    if arguments and arguments[0] in FORWARDED:
        from nodeday.engine import prefork

        if (code := prefork.forward(arguments)) is not None:
            return code
    parser = build_parser()
    options = parser.parse_args(arguments)
    if not options.command:
        parser.print_help()
        return GOOD
    try:
        return int(options.run(options))
    except NodedayError as error:
        return _complain(error)
    except BrokenPipeError:
        sys.stderr.close()
        return FAULT
    except OSError as error:
        return _complain(of_system(error))
    except KeyboardInterrupt:
        stopped = "stopped. What was finished stays; the same command goes on from there."
        print(f"nodeday: {stopped}", file=sys.stderr)
        return STOPPED


def _complain(error: NodedayError) -> int:
    print(f"nodeday: {error}", file=sys.stderr)
    return error.exit_code


def build_parser() -> ProgramParser:
    """Return the parser with every command."""
    from nodeday.cli.headings import HEADINGS, UNLISTED  # a forwarded job needs none of them

    parser = ProgramParser(__version__)
    for heading, commands in HEADINGS.items():
        for command in commands:
            parser.add_command(command, heading)
    for command in UNLISTED:
        parser.add_command(command)
    return parser
