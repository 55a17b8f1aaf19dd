rule features:
    input:
        samples=table("samples"),
    output:
        beats=table("beats"),
        epochs=table("epochs"),
        ledger=table("ledger", "features"),
    params:
        code=code("features"),
        epochs=str(study.file.epochs),
        devices=lambda wildcards: devices(study, wildcards.session),
    log:
        "results/logs/{session}/features.log",
    shell:
        "nodeday room features {wildcards.session} > {log} 2>&1"
