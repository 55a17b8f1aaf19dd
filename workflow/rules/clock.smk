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
        code=code_and_libraries("clock"),
        settings=lambda wildcards: settings_text(study, "clock", wildcards.session),
    shell:
        "nodeday stage clock {wildcards.session} > {log} 2>&1"
