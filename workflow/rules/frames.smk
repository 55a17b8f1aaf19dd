rule frames:
    input:
        captures=lambda wildcards: [
            part.strip() for part in study.session(wildcards.session).captures.split(";")
        ],
        layout=lambda wildcards: f"config/layouts/{study.session(wildcards.session).layout}.yaml",
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
