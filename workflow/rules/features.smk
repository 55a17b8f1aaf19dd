rule features:
    input:
        samples=table("samples"),
    output:
        beats=table("beats"),
        epochs=table("epochs"),
        ledger=table("ledger", "features"),
    group:
        "session"
    resources:
        **session_needs(study),
    params:
        code=code("features"),
        epochs=str(study.file.epochs),
    log:
        "results/logs/{session}/features.log",
    shell:
        "nodeday room features {wildcards.session} > {log} 2>&1"
