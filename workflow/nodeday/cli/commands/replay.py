"""`nodeday replay`: recorded signals through an encoder and a lossy channel."""

from __future__ import annotations

import argparse
from pathlib import Path

from nodeday.cli.arguments import share_below_one
from nodeday.core.errors import GOOD

HELP = "recorded signals through an encoder and a lossy channel"
EXAMPLES = "nodeday replay 100.hea 101.hea --into replayed --loss 0.05"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the recordings, the new study's folder and the channel."""
    parser.add_argument("files", nargs="+", type=Path, metavar="FILE", help="WFDB header or CSV")
    parser.add_argument("--into", type=Path, required=True, metavar="DIR", help="a new study's folder")
    parser.add_argument("--loss", type=share_below_one, default=0.05, help="share of frames lost (0.05)")
    parser.add_argument("--burst", type=float, default=5.0, help="mean burst of lost frames (5)")
    parser.add_argument("--seed", type=int, default=1, help="another seed, another draw (1)")


def run(options: argparse.Namespace) -> int:
    """Make a study of recorded signals sent through the encoder and a lossy channel."""
    from nodeday.cli.init.folder import write_snakefile
    from nodeday.stages.simulate.replay import replay_files

    replay_files(options.files, options.into, options.loss, options.burst, options.seed)
    write_snakefile(options.into)
    print(f"A study of {len(options.files)} recordings lies in {options.into}.")
    print(f"Then: nodeday run --study {options.into}")
    return GOOD
