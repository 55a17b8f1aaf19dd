"""Folders of new studies: what each needs to run, and nothing written over."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterable, Mapping
from pathlib import Path
from tempfile import TemporaryDirectory

from nodeday.core.errors import SettingsError
from nodeday.core.paths import DEMO_CONFIG

SNAKEFILE = """# The chain of nodeday on this study: `snakemake --cores 2`, or `nodeday run`.
from nodeday.core.paths import SNAKEFILE


include: str(SNAKEFILE)


rule everything:
    default_target: True
    input:
        rules.all.input,
"""
EXAMPLES = ("bench.yaml", "radio.yaml", "layouts/README.md")
"""Of the demo's settings, what helps in any study."""


def refuse_existing_study(folder: Path) -> None:
    """Raise SettingsError where a new study would lie over something."""
    if folder.exists() and not folder.is_dir():
        raise SettingsError("is a file", str(folder), "a folder, new or without a study")
    for name in ("config", "Snakefile", "results"):
        if (folder / name).exists():
            raise SettingsError(
                f"holds a study already ({name})", str(folder), remedy="Choose another folder."
            )


def write_snakefile(folder: Path) -> None:
    """Write the Snakefile of a study, which includes the chain."""
    (folder / "Snakefile").write_text(SNAKEFILE, encoding="utf-8")


def copy_settings(folder: Path, source: Path, *, scenario: bool) -> None:
    """Make a study's folder with the settings of ``source``, its scenario only where that is wanted.

    Raises SettingsError where there is a study.
    """
    refuse_existing_study(folder)
    ignored = shutil.ignore_patterns() if scenario else shutil.ignore_patterns("scenario.yaml")
    shutil.copytree(source, folder / "config", ignore=ignored)
    (folder / "captures").mkdir(exist_ok=True)
    write_snakefile(folder)


def write_study(folder: Path, files: Mapping[str, str], sessions: Iterable[str], *, examples: bool) -> None:
    """Make a study's folder of ``files``, texts by their path in ``config/``.

    Raises SettingsError, and writes nothing, where they do not fit. Settings are written to a hidden folder
    first, checked, and then moved as one. ``examples`` of the demo are for studies of bytes.
    """
    from nodeday.config import checks
    from nodeday.config.study import Study
    from nodeday.config.writer import write_settings

    folder.mkdir(parents=True, exist_ok=True)
    with TemporaryDirectory(prefix=".new-", dir=folder) as draft:
        config = Path(draft) / "config"
        for name in ("x", *files, *(EXAMPLES if examples else ())):
            (config / name).parent.mkdir(parents=True, exist_ok=True)
        for name in EXAMPLES if examples else ():
            if (DEMO_CONFIG / name).is_file():  # a wheel leaves out what is read by people alone
                shutil.copy(DEMO_CONFIG / name, config / name)
        try:
            write_settings(config, files)
        except SettingsError as error:
            raise SettingsError(str(error).replace(draft, str(folder)).removesuffix(".")) from None
        study = Study(Path(draft))
        for session in sessions:
            for problem in checks.problems(study, session, captures=False):
                raise SettingsError(str(problem).replace(draft, str(folder)).removesuffix("."))
        os.rename(config, folder / "config")
    write_snakefile(folder)
    (folder / "captures").mkdir(exist_ok=True)
