"""`nodeday trace`: any cell of a table back to the bytes it came from."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from nodeday.cli.arguments import add_json, add_study
from nodeday.core.errors import GOOD

if TYPE_CHECKING:
    pass

HELP = "any cell back to the bytes it came from"
EXAMPLES = "nodeday trace epochs session=S01 node=heart epoch=12 feature=heart_rate_bpm"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the cell, how much of its tree is wanted, the form of the output and the study."""
    parser.add_argument("table", metavar="TABLE", help="which holds the cell")
    parser.add_argument("key", nargs="+", metavar="NAME=VALUE", help="what tells the row from all others")
    parser.add_argument("--all", action="store_true", help="every branch, not just the first few")
    add_json(parser, "for programs; every branch")
    add_study(parser)


def run(options: argparse.Namespace) -> int:
    """Follow a cell back to the bytes it came from; print that as a tree, or as JSON."""
    from nodeday.config.study import Study
    from nodeday.products.lineage import cell, step
    from nodeday.products.lineage.lookup import parse_key

    trace = cell.trace(Study(options.study), options.table, parse_key(options.key))
    print(step.as_json(trace) if options.json else step.as_text(trace, options.all))
    return GOOD
