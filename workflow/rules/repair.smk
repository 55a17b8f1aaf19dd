rule repair:
    input:
        frames=table("frames"),
        gaps=table("gaps"),
        clock=table("clock"),
        cut=table("cut"),
    output:
        samples=directory(table("samples")),
        aligned=[table(name) for name in study.file.grid.tables],
        ledger=table("ledger", "repair"),
    log:
        "results/logs/{session}/repair.log",
    benchmark:
        "results/benchmarks/{session}/repair.tsv"
    group:
        "session"
    threads: stage_cores(SESSIONS, CORES)
    resources:
        **session_needs(study),
    params:
        code=code_and_libraries("repair"),
        settings=lambda wildcards: settings_text(study, "repair", wildcards.session),
    shell:
        "nodeday stage repair {wildcards.session} --cores {threads} > {log} 2>&1"
