rule study:
    input:
        expand(table("epochs"), session=SESSIONS),
        expand(table("loss"), session=SESSIONS),
        expand(table("clock"), session=SESSIONS),
    output:
        phases=study_table("phases"),
        sessions=study_table("sessions"),
        exclusions=study_table("exclusions"),
        ledger=study_table("ledger"),
        wide="results/study/epochs_wide.parquet",
        wide_csv="results/study/epochs_wide.csv",
    params:
        code=code("study"),
        limits=str(study.file.limits),
        sheets=[sheets(study, name) for name in SESSIONS],
        sessions=" ".join(SESSIONS),
    log:
        "results/logs/study.log",
    shell:
        "nodeday room study {params.sessions} > {log} 2>&1"
