"""`nodeday release`: a copy of the study for sharing, dates shifted and ages coarse."""

from __future__ import annotations

import argparse
from pathlib import Path

from nodeday.cli.arguments import add_study
from nodeday.cli.commands.export import finished_sessions
from nodeday.core.errors import GOOD

HELP = "a copy for sharing: dates shifted, ages coarse"
EXAMPLES = "nodeday release ../copy"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the copy's folder, the file of shifts, and whether signals go along."""
    parser.add_argument("folder", type=Path, metavar="DIR", help="the copy's folder, new")
    parser.add_argument(
        "--offsets",
        type=Path,
        metavar="FILE",
        help="where the shifts are kept (release-offsets.tsv in the study)",
    )
    parser.add_argument("--signals", action="store_true", help="samples and aligned as well")
    add_study(parser)


def run(options: argparse.Namespace) -> int:
    """Write the copy; the file that undoes the shift of its dates stays with the study."""
    from nodeday.config.study import Study
    from nodeday.products.export.release import release

    study = Study(options.study)
    offsets = options.offsets or study.root / "release-offsets.tsv"
    notes = release(study, finished_sessions(study), options.folder, offsets, options.signals)
    print(f"A copy for sharing lies in {options.folder}; what undoes the shift of its dates in {offsets}.")
    print("Keep that file to yourself. Captures, settings and pages were not copied: they hold dates.")
    for note in notes:
        print(f"note: {note}")
    return GOOD
