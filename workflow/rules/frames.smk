rule frames:
    input:
        captures=lambda wildcards: captures(study, wildcards.session),
        layouts=lambda wildcards: layouts(study, wildcards.session),
    output:
        frames=directory(table("frames")),
        hub_runs=table("hub_runs"),
        rejects=table("rejects"),
        ledger=table("ledger", "frames"),
    log:
        "results/logs/{session}/frames.log",
    benchmark:
        "results/benchmarks/{session}/frames.tsv"
    group:
        "session"
    resources:
        **session_needs(study),
    params:
        code=code_and_libraries("frames"),
        settings=lambda wildcards: settings_text(study, "frames", wildcards.session),
    shell:
        "nodeday stage frames {wildcards.session} > {log} 2>&1"
