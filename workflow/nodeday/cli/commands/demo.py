"""`nodeday demo`: an invented study, made and run."""

from __future__ import annotations

import argparse
import os
from pathlib import Path

from nodeday.cli.arguments import add_cores
from nodeday.cli.commands.run import run_study
from nodeday.core.errors import GOOD

HELP = "make an invented study and run it"
EXAMPLES = "nodeday demo demo-study"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the folder, the kind of data and the cores."""
    parser.add_argument(
        "folder",
        nargs="?",
        type=Path,
        default=Path("demo-study"),
        metavar="DIR",
        help="of the study (demo-study)",
    )
    parser.add_argument("--recorded", action="store_true", help="real recordings instead of simulated ones")
    add_cores(parser)


def run(options: argparse.Namespace) -> int:
    """Make the demo study, unless it is there, and run it."""
    folder: Path = options.folder
    is_new = not (folder / "config" / "study.yaml").exists()
    if options.recorded:
        return _run_recorded(folder, options.cores, is_new)
    if is_new:
        from nodeday.cli.init.folder import copy_settings
        from nodeday.core.paths import DEMO_CONFIG

        copy_settings(folder, DEMO_CONFIG, scenario=True)
    print(f"A glasshouse harvest crew, invented: three participants, one session each, in {folder}.")
    return run_study(folder, options.cores)


def _run_recorded(folder: Path, cores: int, is_new: bool) -> int:
    """Run the study of shipped recordings and print how near its beats are to the experts' labels."""
    from nodeday.cli.init.folder import write_snakefile
    from nodeday.stages.simulate import recorded

    if is_new:
        recorded.make_study(folder)
        write_snakefile(folder)
    code = run_study(folder, cores)
    if code == GOOD:
        open_data = os.environ.get("NODEDAY_OPEN_DATA")
        print("\n".join(recorded.score(folder, Path(open_data) if open_data else None)))
    return code
