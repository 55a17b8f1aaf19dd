rule loss:
    input:
        frames=table("frames"),
        hub_runs=table("hub_runs"),
        cut=table("cut"),
        sent=lambda wildcards: sent_lists(study, wildcards.session),
    output:
        gaps=table("gaps"),
        loss=table("loss"),
        radio=table("radio"),
        bursts=table("bursts"),
        signal=table("signal"),
        fields=table("fields"),
        battery=table("battery"),
        sent=table("sent"),
        ledger=table("ledger", "loss"),
    log:
        "results/logs/{session}/loss.log",
    benchmark:
        "results/benchmarks/{session}/loss.tsv"
    group:
        "session"
    resources:
        **session_needs(study),
    params:
        code=code_and_libraries("loss"),
        settings=lambda wildcards: settings_text(study, "loss", wildcards.session),
    shell:
        "nodeday stage loss {wildcards.session} > {log} 2>&1"
