rule clock:
    input:
        frames=table("frames"),
    output:
        clock=table("clock"),
    group:
        "session"
    resources:
        **session_needs(study),
    params:
        code=code("clock"),
    log:
        "results/logs/{session}/clock.log",
    shell:
        "nodeday room clock {wildcards.session} > {log} 2>&1"
