# Last of all: the data package, the methods, and the manifest of everything.
def settings_files():
    found = [path for path in Path("config").rglob("*") if path.is_file()]
    return sorted(str(path) for path in found if not path.name.startswith("."))


# Once a session's stages are done, and before those of others: what they wrote is still in memory.
rule hashes:
    input:
        table("epochs"),
    output:
        "results/.hashes/{session}.json",
    group:
        "session"
    priority: 1
    resources:
        **session_needs(study),
    params:
        code=code("dataset"),
    log:
        "results/logs/{session}/hashes.log",
    shell:
        "nodeday stage hashes {wildcards.session} > {log} 2>&1"


rule dataset:
    input:
        "results/report/index.html",
        expand("results/report/{session}.html", session=SESSIONS),
        [study_table(name) for name in (*STUDY_TABLES, "ledger")],
        expand(
            table("{each}"),
            each=[
                "hub_runs", "rejects", "gaps", "loss", "radio", "bursts", "signal", "battery", "clock", "steps",
                "movements", "agreement", "aligned", "beats", "epochs", "signal_quality",
                "calibration", "bouts",
            ],
            session=SESSIONS,
        ),
        expand(table("frames"), session=SESSIONS),
        expand(table("samples"), session=SESSIONS),
        expand("results/.hashes/{session}.json", session=SESSIONS),
        lambda wildcards: [path for name in SESSIONS for path in captures(study, name)],
        lambda wildcards: settings_files(),
    output:
        package="results/datapackage.json",
        words="results/dictionary.md",
        columns="results/dictionary.csv",
        methods="results/methods.json",
        paragraph="results/methods.md",
        manifest="results/manifest.json",
    resources:
        **study_needs(SESSIONS),
    params:
        code=code("dataset"),
        sessions=" ".join(f"--session {name}" for name in SESSIONS),
    log:
        "results/logs/dataset.log",
    shell:
        "nodeday export package {params.sessions} > {log} 2>&1"
