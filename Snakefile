# The whole chain. Run from a study's folder; each stage is one rule in workflow/rules/.
#
#   captures -> frames -> clock -> loss -> repair -> features -> study -> report
#
# A stage takes validated tables and gives validated tables. Rules hold wiring only; what stages there are, with
# their tables in and out, stands in workflow/nodeday/engine/stages.py, and a test holds the rules to it.
import sys
from pathlib import Path

from snakemake.exceptions import WorkflowError
from snakemake.logging import logger
from snakemake.utils import min_version

from nodeday.config import checks
from nodeday.config.study import Study
from nodeday.core.errors import NodedayError
from nodeday.core.refusals import CODE
from nodeday.engine import locks
from nodeday.engine.digests import code, code_and_libraries
from nodeday.engine.resources import page_needs, session_needs, stage_cores, study_needs
from nodeday.engine.rule_files import captures, layouts, ledgers, session_tables, settings_files
from nodeday.engine.rule_files import sent_lists, study_tables, table
from nodeday.engine.rule_params import digest, of_page, sessions_of_participants, settings_text, sheet_text
from nodeday.engine.snakemake_private import cores_of
from nodeday.engine.stages import STAGES

min_version("9.11.7")

locks.share(Path.cwd())
try:
    study = Study(Path.cwd())
    wanted = [name for name in str(config.get("only", "")).split(",") if name]
    problems = {name: checks.problems(study, name) for name in study.sessions}
    SESSIONS = [name for name in wanted or study.sessions if not problems[study.session(name).session]]
except NodedayError as error:
    raise WorkflowError(str(error)) from None

CORES = cores_of(workflow)

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
    study_settings,
    participant_notes,
    study_tables_ready,


# The pages too: a page that somebody removed would not be made anew for what comes after it alone.
rule all:
    input:
        expand("results/report/{session}.html", session=SESSIONS),
        "results/report/index.html",
        "results/manifest.json",


rule sessions:
    input:
        expand(table("epochs"), session=SESSIONS),


# Benchmarks: under `nodeday run` a job waits for a process that forked to do its work, so they hold its time
# alone; memory and processor time are those of the work where plain Snakemake or a cluster runs it.
include: "workflow/rules/simulate.smk"
include: "workflow/rules/frames.smk"
include: "workflow/rules/clock.smk"
include: "workflow/rules/loss.smk"
include: "workflow/rules/repair.smk"
include: "workflow/rules/features.smk"
include: "workflow/rules/study.smk"
include: "workflow/rules/report.smk"
include: "workflow/rules/dataset.smk"
