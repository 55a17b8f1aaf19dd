"""What the workflow engine costs: thousands of sessions planned, thirty run, run again, one changed.

Run: ``.venv/bin/python benchmarks/scale.py [SESSIONS ...]`` (1000). First a dry run of so many
sessions, its time and peak memory, beside its peer: a bare workflow of as many jobs and files that
knows nothing of nodeday, which is what the engine itself takes. Then thirty sessions whose stages
only copy what a real session gave, so that what is left is the engine's own. Machines are noisy:
read processor time and ratios.
"""

from __future__ import annotations

import json
import os
import re
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from nodeday.cli.init.folder import copy_settings
from nodeday.core.paths import DEMO_CONFIG
from nodeday.engine.status import output_files

THIRTY = 30
OF_SESSION = re.compile(r"\bS\d+\b")
AIM_WALL_S, AIM_MB, AIM_THIRTY_S = 60, 2000, 300
PLAN = """
seed: 1
nodes:
  hub: {crystal: {ppm: 4}}
  heart: {streams: [ecg], crystal: {ppm: 21}}
  trunk: {streams: [acc], crystal: {ppm: -13}}
sessions:
  S0:
    start: 2026-07-14T05:00:00Z
    phases: [{phase: rest, minutes: 2, bpm: 64}]
    channel: {loss: 0.03, burst: 3}
"""
BARE = """
N = {sessions}
rule all:
    input: "last"
rule first:
    input: "captures/S{{i}}.bin"
    output: expand("first/{{{{i}}}}/{{k}}", k=range(3))
    shell: "true"
rule second:
    input: "first/{{i}}/0"
    output: expand("second/{{{{i}}}}/{{k}}", k=range(6))
    shell: "true"
rule third:
    input: "first/{{i}}/0"
    output: "third/{{i}}/0"
    shell: "true"
rule fourth:
    input: "first/{{i}}/0", "second/{{i}}/0", "third/{{i}}/0"
    output: expand("fourth/{{{{i}}}}/{{k}}", k=range(3))
    shell: "true"
rule fifth:
    input: "fourth/{{i}}/0"
    output: expand("fifth/{{{{i}}}}/{{k}}", k=range(3))
    shell: "true"
rule study:
    input: expand("{{rule}}/{{i}}/0", rule=["first", "second", "third", "fourth", "fifth"], i=range(N))
    output: "study"
    shell: "true"
rule told:
    input: "study"
    output: "told"
    shell: "true"
rule page:
    input: expand("{{rule}}/{{{{i}}}}/0", rule=["first", "second", "third", "fourth", "fifth"]), "told"
    output: "page/{{i}}"
    shell: "true"
rule sixth:
    input: "fifth/{{i}}/0"
    output: "sixth/{{i}}"
    shell: "true"
rule index:
    input: "study"
    output: "index"
    shell: "true"
rule last:
    input: "index", expand("page/{{i}}", i=range(N)), expand("sixth/{{i}}", i=range(N)),
        expand("{{rule}}/{{i}}/0", rule=["first", "second", "third", "fourth", "fifth"], i=range(N))
    output: "last"
    shell: "true"
"""
# Stages that copy what session S0 of another study gave; bash takes a function before a program.
COPY = """() { case $2 in study|index) f=$2;; package) f=dataset;; *) f=$2-$3;; esac
while read -r from to; do rm -rf "$to"; cp -r "$from" "$to"; done < "$COPIES/$f"; }"""


def timed(command: list[str], where: Path, **environment: str) -> dict[str, float]:
    """Wall and processor time of a command and all that it starts, and its own peak memory."""
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    run = subprocess.Popen(
        command,
        cwd=where,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env={**os.environ, **environment},
    )
    assert run.stdout
    said = run.stdout.read()
    _, status, own = os.wait4(run.pid, 0)
    if status:
        raise SystemExit(said)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    used = (after.ru_utime + after.ru_stime) - (before.ru_utime + before.ru_stime)
    return {"wall_s": time.perf_counter() - start, "cpu_s": used, "peak_mb": own.ru_maxrss / 1024}


def lay_out_many(folder: Path, sessions: list[str], capture: bytes) -> None:
    """A study of ``sessions``, a participant and two phases each, every capture the same bytes."""
    copy_settings(folder, DEMO_CONFIG, scenario=False)
    sheets = {
        "sessions": ["session\tparticipant\tcaptures\tlayout"],
        "participants": ["participant\tage_years"],
        "events": ["session\tphase\tstart"],
    }
    for name in sessions:
        who = f"P{name[1:]}"  # two letters before 1922 would be taken for somebody's initials and birth
        sheets["sessions"].append(f"{name}\t{who}\tcaptures/{name}.bin\tbeltframe")
        sheets["participants"].append(f"{who}\t40")
        sheets["events"] += [f"{name}\trest\t2026-07-14T07:00:00", f"{name}\twork\t2026-07-14T07:01:00"]
        (folder / "captures" / f"{name}.bin").write_bytes(capture)
    for name, lines in sheets.items():
        (folder / "config" / f"{name}.tsv").write_text("\n".join(lines) + "\n")


def graph(place: Path, count: int) -> dict[str, dict[str, float]]:
    """A dry run of ``count`` sessions, and of as many jobs of the bare workflow."""
    study, bare = place / f"study{count}", place / f"bare{count}"
    lay_out_many(study, [f"S{number}" for number in range(count)], b"\xd3\x91")
    (bare / "captures").mkdir(parents=True)
    for number in range(count):
        (bare / "captures" / f"S{number}.bin").touch()
    (bare / "Snakefile").write_text(BARE.format(sessions=count))
    dry = [sys.executable, "-m", "snakemake", "--dry-run", "--quiet", "all", "--cores", "2"]
    return {"nodeday": timed(dry, study), "bare workflow": timed(dry, bare)}


def template(place: Path) -> Path:
    """One session, really run."""
    folder = place / "template"
    copy_settings(folder, DEMO_CONFIG, scenario=False)
    config = folder / "config"
    (config / "sessions.tsv").write_text(
        "session\tparticipant\tcaptures\tlayout\nS0\tP01\tcaptures/S0.bin\tbeltframe\n"
    )
    (config / "nodes.tsv").write_text(
        "session\tnode\taddress\tplacement\n*\thub\t0\thub\n*\theart\t16\tchest\n*\ttrunk\t17\tchest\n"
    )
    (config / "events.tsv").unlink()
    settings = config / "study.yaml"  # an axis of a node that nobody wears is refused
    settings.write_text(re.sub(r"(?m)^    ankle: .*\n", "", settings.read_text()))
    (config / "scenario.yaml").write_text(PLAN)
    timed([sys.executable, "-m", "nodeday", "simulate"], folder)
    (config / "scenario.yaml").unlink()
    timed([sys.executable, "-m", "nodeday", "run"], folder)
    return folder


def thirty(place: Path) -> dict[str, dict[str, float]]:
    """Thirty sessions whose stages copy: first run, second run, one session changed."""
    source, study = template(place), place / "thirty"
    names = [f"S{number}" for number in range(THIRTY)]
    lay_out_many(study, names, (source / "captures" / "S0.bin").read_bytes())
    copies = place / "copies"
    copies.mkdir()
    for row in output_files(study, names):
        stage, target = row["rule"], row["output_file"]
        session = OF_SESSION.search(target)
        real = source / OF_SESSION.sub("S0", target)
        with (copies / (f"{stage}-{session[0]}" if session else stage)).open("a") as file:
            file.write(f"{real} {target}\n")
    stages = {"BASH_FUNC_nodeday%%": COPY, "COPIES": str(copies)}
    run = [sys.executable, "-m", "nodeday", "run"]
    found = {"first run, stages only copy": timed(run, study, **stages)}
    found["second run, nothing changed"] = timed(run, study, **stages)
    before = stamps(study)
    events = study / "config" / "events.tsv"
    events.write_text(events.read_text().replace("S7\twork\t2026-07-14T07:01", "S7\twork\t2026-07-14T07:02"))
    found["one session changed"] = timed(run, study, **stages)
    changed = [path for path, at in stamps(study).items() if before.get(path) != at]
    of = (OF_SESSION.search(str(path)) for path in changed)
    kinds = Counter("study" if not name else "S7" if name[0] == "S7" else "other sessions" for name in of)
    print(f"files made anew after a change of session S7, by whose they are: {dict(kinds)}")
    return found


def stamps(study: Path) -> dict[Path, int]:
    results = study / "results"
    files = (path for path in results.rglob("*") if path.is_file())
    return {path.relative_to(results): path.stat().st_mtime_ns for path in files}


def main() -> None:
    place, figures = Path(tempfile.mkdtemp(prefix="scale-")), {}
    line = "{:<34} {:<14} {:>8} {:>8} {:>8}"
    try:
        print(line.format("what", "by", "wall s", "CPU s", "peak MB"))
        for count in [int(each) for each in sys.argv[1:]] or [1000]:
            figures[f"dry run of {count} sessions"] = graph(place, count)
            show(line, figures, f"dry run of {count} sessions")
        figures[f"{THIRTY} sessions"] = thirty(place)
        show(line, figures, f"{THIRTY} sessions")
        own = figures[f"{THIRTY} sessions"]["first run, stages only copy"]
        print(f"aims: {AIM_WALL_S} s and {AIM_MB} MB for 1000; second run 4 s; the engine's own share")
        print(
            f"of the {AIM_THIRTY_S} s that {THIRTY} participant-days may take 20 %, and it is "
            f"{own['wall_s'] / AIM_THIRTY_S:.1%}"
        )
    finally:
        shutil.rmtree(place)
    Path("benchmarks/scale.json").write_text(json.dumps(figures, indent=2) + "\n")


def show(line: str, figures: dict[str, dict[str, dict[str, float]]], what: str) -> None:
    for by, found in figures[what].items():
        print(
            line.format(
                what if len(by) < 14 else by,
                by if len(by) < 14 else "engine",
                *(f"{found[key]:.1f}" for key in ("wall_s", "cpu_s", "peak_mb")),
            )
        )


if __name__ == "__main__":
    main()
