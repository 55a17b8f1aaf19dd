rule features:
    input:
        samples=table("samples"),
    output:
        beats=table("beats"),
        epochs=table("epochs"),
        calibration=table("calibration"),
        bouts=table("bouts"),
        ledger=table("ledger", "features"),
    params:
        code=code("features"),
        epochs=str(study.file.epochs),
        mounting=str(sorted(study.file.motion.mounting.items())),
        devices=lambda wildcards: devices(study, wildcards.session),
    log:
        "results/logs/{session}/features.log",
    shell:
        "nodeday room features {wildcards.session} > {log} 2>&1"
