"""Where nodeday is installed: the folder with the Snakefile, the rules and the demo's settings."""

from __future__ import annotations

import sysconfig
from pathlib import Path

_CHECKOUT = Path(__file__).resolve().parents[3]
PROJECT = (
    _CHECKOUT
    if (_CHECKOUT / "Snakefile").is_file()
    else Path(sysconfig.get_path("data")) / "share" / "nodeday"
)
"""A checkout of the project, or what an installed wheel puts into the environment."""
SNAKEFILE = PROJECT / "Snakefile"
DEMO_CONFIG = PROJECT / "config"
