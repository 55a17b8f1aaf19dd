"""`nodeday status`: how far each session is, and what a run would still do."""

from __future__ import annotations

import argparse

from nodeday.cli.arguments import add_json, add_study
from nodeday.core.errors import GOOD

HELP = "how far each session is, and what a run would do"
EXAMPLES = "nodeday status"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the study and the form of the output."""
    add_json(parser)
    add_study(parser)


def run(options: argparse.Namespace) -> int:
    """Print a line for each session. Reads no capture and changes nothing."""
    import json

    from nodeday.config.study import Study
    from nodeday.engine import status

    document = status.document(Study(options.study))
    print(json.dumps(document, indent=2) if options.json else status.text(document))
    return GOOD
