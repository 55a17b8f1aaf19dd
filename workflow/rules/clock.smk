rule clock:
    input:
        frames=table("frames"),
        hub_runs=table("hub_runs"),
    output:
        clock=table("clock"),
        cut=table("cut"),
        steps=table("steps"),
        movements=table("movements"),
        agreement=table("agreement"),
        ledger=table("ledger", "clock"),
    log:
        "results/logs/{session}/clock.log",
    benchmark:
        "results/benchmarks/{session}/clock.tsv"
    group:
        "session"
    resources:
        **session_needs(study),
    params:
        code=code("clock"),
        edges=lambda wildcards: str(study.written_span(wildcards.session)),
        movements=digest([str(study.file.movements)]),
        noted=lambda wildcards: movement_text(study, wildcards.session),
    shell:
        "nodeday stage clock {wildcards.session} > {log} 2>&1"
