"""Arguments that several commands take, and types of their values."""

from __future__ import annotations

import argparse
from pathlib import Path


def add_study(parser: argparse.ArgumentParser) -> None:
    """Add ``--study``, the folder of the study."""
    parser.add_argument(
        "--study", type=Path, default=Path(), metavar="DIR", help="the study's folder (the one you are in)"
    )


def add_cores(parser: argparse.ArgumentParser, default: int = 2, words: str = "cores to work on") -> None:
    """Add ``--cores``, a positive number."""
    parser.add_argument(
        "--cores", type=positive_count, default=default, metavar="N", help=f"{words} ({default})"
    )


def add_json(parser: argparse.ArgumentParser, words: str = "for programs") -> None:
    """Add ``--json``, for output as one document."""
    parser.add_argument("--json", action="store_true", help=words)


def positive_count(text: str) -> int:
    """Return a positive whole number; raise ArgumentTypeError for any other text."""
    number = int(text) if text.isascii() and text.isdigit() else 0
    if number < 1:
        raise argparse.ArgumentTypeError(f"{text} is not a positive whole number")
    return number


def share_below_one(text: str) -> float:
    """Return a share from 0 to below 1; raise ArgumentTypeError or ValueError for any other text."""
    number = float(text)
    if not 0 <= number < 1:
        raise argparse.ArgumentTypeError(f"{number} is not a share from 0 to below 1")
    return number
