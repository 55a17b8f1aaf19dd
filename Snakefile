# The whole chain. Run from a study's folder; each stage is one rule in workflow/rules/.
#
#   captures -> frames -> loss -> clock -> repair -> features -> study -> report
#
# A stage takes validated tables and gives validated tables. Rules hold wiring only.
import sys
from pathlib import Path

from snakemake.exceptions import WorkflowError
from snakemake.logging import logger

from nodeday.config import checks
from nodeday.config.study import Study
from nodeday.core.errors import NodedayError
from nodeday.core.yaml_io import CODE
from nodeday.engine import locks
from nodeday.engine.resources import page_needs, session_needs, stage_cores, study_needs
from nodeday.engine.digests import (
    captures, code, devices, digest, layouts, movements, nodes, peers, sheets, study_table, table,
)

locks.share(Path.cwd())
try:
    study = Study(Path.cwd())
    wanted = [name for name in str(config.get("only", "")).split(",") if name]
    problems = {name: checks.problems(study, name) for name in study.sessions}
    SESSIONS = [name for name in wanted or study.sessions if not problems[study.session(name).session]]
except NodedayError as error:
    raise WorkflowError(str(error)) from None

# A cluster's engine has none of its own; each of its jobs would count those of the node it is on.
CORES = None if workflow.remote_exec else workflow.resource_settings.cores

for name in study.sessions:
    for problem in problems[name] if name in (wanted or study.sessions) else ():
        logger.warning(f"left out, {problem}")

# The stages run with the Python that runs the workflow.
shell.prefix(f'export PATH="{Path(sys.executable).parent}:$PATH"; ')


wildcard_constraints:
    session=CODE.strip("^$"),


localrules:
    all,
    sessions,
    notes,
    settings,
    told,


# The pages too: a page that somebody removed would not be made anew for what comes after it alone.
rule all:
    input:
        expand("results/report/{session}.html", session=SESSIONS),
        "results/report/index.html",
        "results/manifest.json",


rule sessions:
    input:
        expand(table("epochs"), session=SESSIONS),


include: "workflow/rules/simulate.smk"
include: "workflow/rules/frames.smk"
include: "workflow/rules/loss.smk"
include: "workflow/rules/clock.smk"
include: "workflow/rules/repair.smk"
include: "workflow/rules/features.smk"
include: "workflow/rules/study.smk"
include: "workflow/rules/report.smk"
include: "workflow/rules/dataset.smk"
