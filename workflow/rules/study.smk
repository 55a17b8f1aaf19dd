STUDY_TABLES = ["phases", "phase_features", "sessions", "participants", "exclusions", "flow"]


rule study:
    input:
        expand(table("{each}"), each=["frames", "gaps", "clock", "epochs"], session=SESSIONS),
        expand(table("ledger", "{room}"), room=["frames", "loss", "repair", "features"], session=SESSIONS),
    output:
        [study_table(name) for name in STUDY_TABLES],
        ledger=study_table("ledger"),
        ledgers=expand(table("ledger", "study"), session=SESSIONS),
        wide="results/study/epochs_wide.parquet",
        wide_csv="results/study/epochs_wide.csv",
    params:
        code=code("study"),
        limits=str((study.file.limits, study.file.rules, study.file.epochs.seconds)),
        people=str((study.participants, study.sessions)),
        sheets=[sheets(study, name) for name in SESSIONS],
        sessions=" ".join(SESSIONS),
    log:
        "results/logs/study.log",
    shell:
        "nodeday room study {params.sessions} > {log} 2>&1"
