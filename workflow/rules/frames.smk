rule frames:
    input:
        captures=lambda wildcards: captures(study, wildcards.session),
        layout=lambda wildcards: [
            f"config/layouts/{path.name}" for path in study.layout_files(wildcards.session)
        ],
    output:
        frames=table("frames"),
        rejects=table("rejects"),
        ledger=table("ledger", "frames"),
    params:
        code=code("frames"),
        sheets=lambda wildcards: sheets(study, wildcards.session),
    log:
        "results/logs/{session}/frames.log",
    shell:
        "nodeday room frames {wildcards.session} > {log} 2>&1"
