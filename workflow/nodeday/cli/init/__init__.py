"""A new study's folder: its settings from answers, asked for or given as flags."""

from __future__ import annotations

from pathlib import Path

from nodeday.core.errors import SettingsError

SNAKEFILE = """# The chain of nodeday on this study: `snakemake --cores 2`, or `nodeday run`.
from nodeday.core.paths import SNAKEFILE


include: str(SNAKEFILE)


rule everything:
    default_target: True
    input:
        rules.all.input,
"""


def refuse_what_is_there(folder: Path) -> None:
    """Raise SettingsError where a new study would lie over something."""
    if folder.exists() and not folder.is_dir():
        raise SettingsError("is a file", str(folder), "a folder, new or without a study")
    for name in ("config", "Snakefile", "results"):
        if (folder / name).exists():
            raise SettingsError(
                f"holds a study already ({name})", str(folder), remedy="Choose another folder."
            )


def write_snakefile(folder: Path) -> None:
    (folder / "Snakefile").write_text(SNAKEFILE, encoding="utf-8")
