rule features:
    input:
        samples=table("samples"),
        cut=table("cut"),
    output:
        beats=table("beats"),
        rhythm=table("rhythm"),
        epochs=table("epochs"),
        quality=table("signal_quality"),
        calibration=table("calibration"),
        bouts=table("bouts"),
        ledger=table("ledger", "features"),
    log:
        "results/logs/{session}/features.log",
    benchmark:
        "results/benchmarks/{session}/features.tsv"
    group:
        "session"
    threads: stage_cores(SESSIONS, CORES)
    resources:
        **session_needs(study),
    params:
        code=code_and_libraries("features"),
        settings=lambda wildcards: settings_text(study, "features", wildcards.session),
    shell:
        "nodeday stage features {wildcards.session} --cores {threads} > {log} 2>&1"
