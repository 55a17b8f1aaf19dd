"""The workflow engine's own lints of the Snakefile and its rules, on the demo; 1 where there is any.

    .venv/bin/python tests/lint_workflow.py        # part of `make lint`

One lint is left out: it wants a Conda environment or a container for each rule. All rules call `nodeday`,
with the Python that runs the workflow, and what that needs is locked in requirements/.
"""

from __future__ import annotations

import contextlib
import io
import json
import shutil
import sys
import tempfile
from pathlib import Path
from typing import Any

from snakemake.api import SnakemakeApi
from snakemake.settings.types import ResourceSettings

from nodeday.core.paths import DEMO_CONFIG, SNAKEFILE

LEFT_OUT = "Specify a conda environment or container for each rule."


def lints() -> list[str]:
    """What Snakemake finds, a line each."""
    printed = io.StringIO()
    with tempfile.TemporaryDirectory() as folder:
        study = Path(folder) / "study"
        shutil.copytree(DEMO_CONFIG, study / "config")
        with contextlib.chdir(study), SnakemakeApi() as api, contextlib.redirect_stdout(printed):
            api.workflow(ResourceSettings(cores=1), snakefile=SNAKEFILE, workdir=study).lint(json=True)
    found: dict[str, list[dict[str, Any]]] = json.loads(printed.getvalue())
    return [
        f"{' '.join(map(str, each['for'].values()))}: {lint['title']} {lint['body']}"
        for each in (*found["rules"], *found["snakefiles"])
        for lint in each["lints"]
        if lint["title"] != LEFT_OUT
    ]


if __name__ == "__main__":
    sys.exit("\n".join(lints()) or 0)
