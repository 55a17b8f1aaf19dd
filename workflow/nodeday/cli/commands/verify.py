"""`nodeday verify`: every file of a study against the hashes of its manifest."""

from __future__ import annotations

import argparse

from nodeday.cli.arguments import add_study
from nodeday.core.errors import CONTRACT, GOOD

HELP = "hash everything anew, compare with the manifest"
EXAMPLES = "nodeday verify"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the study."""
    add_study(parser)


def run(options: argparse.Namespace) -> int:
    """Hash anew what the manifest names; return 3 where any file differs."""
    from nodeday.products.export import verification

    result = verification.verify(options.study)
    for note in result.notes:
        print(f"note: {note}")
    for path, what in result.differences:
        print(f"{path} {what}")
    verdict = f"{len(result.differences)} differ" if result.differences else "all as in the manifest"
    print(f"{result.checked} files, {result.bytes} bytes: {verdict}")
    return CONTRACT if result.differences else GOOD
