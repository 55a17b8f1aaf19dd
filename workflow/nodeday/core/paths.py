"""Where the house stands: the folder with the Snakefile, the rules and the demo's settings."""

from __future__ import annotations

import sysconfig
from pathlib import Path

_CHECKOUT = Path(__file__).resolve().parents[3]
HOUSE = (
    _CHECKOUT
    if (_CHECKOUT / "Snakefile").is_file()
    else Path(sysconfig.get_path("data")) / "share" / "nodeday"
)
SNAKEFILE = HOUSE / "Snakefile"
DEMO_CONFIG = HOUSE / "config"
