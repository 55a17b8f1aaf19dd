STUDY_TABLES = ["phases", "phase_features", "sessions", "participants", "exclusions", "flow"]


# Its part of each session's ledger is no output here: the engine keeps a record of all inputs for
# each output, and a thousand such records of a thousand sessions are more than it can bear.
rule study:
    input:
        expand(table("frames"), session=SESSIONS),
        expand(table("{each}"), each=["gaps", "clock", "epochs"], session=SESSIONS),
        expand(table("ledger", "{stage}"), stage=["frames", "loss", "repair", "features"], session=SESSIONS),
    output:
        [study_table(name) for name in STUDY_TABLES],
        ledger=study_table("ledger"),
        wide="results/study/epochs_wide.parquet",
        wide_csv="results/study/epochs_wide.csv",
    threads: min(stage_cores([], CORES), len(SESSIONS) or 1)
    resources:
        **study_needs(SESSIONS),
    params:
        code=code("study"),
        limits=str((study.file.limits, study.file.rules, study.file.epochs.seconds)),
        people=digest([str((study.participants, study.sessions))]),
        sheets=digest(sheets(study, name) for name in SESSIONS),
        devices=digest(devices(study, name) for name in SESSIONS),
        sessions=" ".join(SESSIONS),
    log:
        "results/logs/study.log",
    shell:
        "nodeday stage study {params.sessions} --cores {threads} > {log} 2>&1"
