rule report:
    input:
        expand(
            table("{each}"),
            each=[
                "frames", "rejects", "gaps", "loss", "radio", "signal", "battery", "clock", "steps", "agreement",
                "samples", "beats", "epochs", "calibration",
            ],
            allow_missing=True,
        ),
        expand(study_table("{each}"), each=["phases", "sessions", "exclusions", "ledger"]),
    output:
        page="results/report/{session}.html",
    params:
        code=code("report"),
        title=study.file.title,
    log:
        "results/logs/{session}/report.log",
    shell:
        "nodeday room report {wildcards.session} > {log} 2>&1"


rule index:
    input:
        pages=expand("results/report/{session}.html", session=SESSIONS),
        sessions=study_table("sessions"),
    output:
        index="results/report/index.html",
    params:
        code=code("report"),
        sessions=" ".join(SESSIONS),
    log:
        "results/logs/index.log",
    shell:
        "nodeday room index {params.sessions} > {log} 2>&1"
