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
        code=code("repair"),
        fill=str(sorted(study.file.fill.items())),
        grid=str(study.file.grid),
    shell:
        "nodeday stage repair {wildcards.session} --cores {threads} > {log} 2>&1"
