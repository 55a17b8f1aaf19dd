# Its part of each session's ledger is no output here: the engine keeps a record of all inputs for
# each output, and a thousand such records of a thousand sessions are more than it can bear.
rule study:
    input:
        expand(session_tables(STAGES["study"].reads), session=SESSIONS),
        expand(ledgers(), session=SESSIONS),
    output:
        study_tables(STAGES["study"].writes),
        wide="results/study/epochs_wide.parquet",
        wide_csv="results/study/epochs_wide.csv",
    log:
        "results/logs/study.log",
    benchmark:
        "results/benchmarks/study.tsv"
    threads: min(stage_cores([], CORES), len(SESSIONS) or 1)
    resources:
        **study_needs(SESSIONS),
    params:
        code=code_and_libraries("study"),
        settings=settings_text(study, "study", sessions=SESSIONS),
        sessions=" ".join(SESSIONS),
    shell:
        "nodeday stage study {params.sessions} --cores {threads} > {log} 2>&1"
