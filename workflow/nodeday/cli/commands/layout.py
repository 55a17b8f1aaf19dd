"""`nodeday layout check`: a layout explained, and tried on a capture."""

from __future__ import annotations

import argparse
from pathlib import Path

from nodeday.core.errors import GOOD, ContractError, SettingsError

HELP = "explain a layout; say how much of a capture it decodes"
EXAMPLES = "nodeday layout check config/layouts/ours.yaml captures/S01.bin"
LEAST_SHARE = 0.01
"""Share of a capture's bytes in frames below which the layout does not fit. Choice of this project."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the layout and the files of a capture."""
    parser.add_argument("what", choices=("check",), help="what to do with it")
    parser.add_argument("file", type=Path, metavar="FILE", help="a layout file")
    parser.add_argument("captures", nargs="*", type=Path, metavar="CAPTURE", help="files in order")


def run(options: argparse.Namespace) -> int:
    """Explain a layout field by field; with a capture, print how much of it the layout decodes.

    Raises ContractError where that is next to nothing.
    """
    from nodeday.layouts import load_layout
    from nodeday.layouts.explain import explain

    layout = load_layout(options.file)
    print(explain(layout))
    if not options.captures:
        return GOOD
    from nodeday.stages.frames.containers import Unpacker
    from nodeday.stages.frames.survey import survey

    for path in options.captures:
        if not path.is_file():
            raise SettingsError("no such file", str(path), "a capture")
    decoded = survey(Unpacker(options.captures).pieces(), layout)
    print(f"\n{decoded.text()}")
    if decoded.share < LEAST_SHARE:
        raise ContractError(
            f"{decoded.share:.2%} of the bytes are frames of this layout",
            ", ".join(str(path) for path in options.captures),
            "most of them",
            "Look at the sync word, the length and the checksum first.",
        )
    return GOOD
