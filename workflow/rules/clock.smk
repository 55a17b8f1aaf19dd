rule clock:
    input:
        frames=table("frames"),
        hub_runs=table("hub_runs"),
    output:
        clock=table("clock"),
        steps=table("steps"),
        movements=table("movements"),
        agreement=table("agreement"),
        ledger=table("ledger", "clock"),
    group:
        "session"
    resources:
        **session_needs(study),
    params:
        code=code("clock"),
        movements=str(study.file.movements),
        noted=lambda wildcards: movements(study, wildcards.session),
    log:
        "results/logs/{session}/clock.log",
    shell:
        "nodeday stage clock {wildcards.session} > {log} 2>&1"
