# A page repeats what the study's tables say of its session, and that follows from the tables of the
# participant's sessions, from what the sheets note of these and from the study's settings. So another
# session's news, which makes the study's tables anew, leaves a page as it is: `ancient`. An engine that has
# to make the study's tables looks at no parameter of what comes after them, hence the settings and the notes
# as files that come before.
PEERS = peers(study, SESSIONS)


rule settings:
    output:
        "results/study/.settings",
    params:
        settings=digest([code("study"), code("report"), str(study.file), str(study.participants)]),
    shell:
        "echo {params.settings} > {output}"


rule notes:
    output:
        "results/study/.notes/{session}",
    params:
        sheets=lambda wildcards: digest(sheets(study, name) for name in PEERS.get(wildcards.session, [])),
    shell:
        "echo {params.sheets} > {output}"


# One file that stands for the study's tables: the engine looks through all that a job reads, once
# for each file that another job wants of it.
rule told:
    input:
        expand(study_table("{each}"), each=["phases", "sessions", "exclusions", "ledger"]),
    output:
        touch("results/study/.told"),


rule report:
    input:
        expand(
            table("{each}"),
            each=[
                "hub_runs", "rejects", "gaps", "loss", "radio", "bursts", "signal", "battery", "clock", "steps",
                "movements", "agreement", "beats", "epochs", "signal_quality", "calibration",
            ],
            allow_missing=True,
        ),
        table("frames"),
        table("samples"),
        "results/study/.settings",
        "results/study/.notes/{session}",
        lambda wildcards: expand(table("epochs"), session=PEERS.get(wildcards.session, [])),
        ancient("results/study/.told"),
    output:
        page="results/report/{session}.html",
    resources:
        **page_needs(),
    params:
        code=code("report"),
        title=study.file.title,
    log:
        "results/logs/{session}/report.log",
    shell:
        "nodeday stage report {wildcards.session} > {log} 2>&1"


rule index:
    input:
        [study_table(each) for each in ("sessions", "exclusions", "flow", "phases", "phase_features")],
    output:
        index="results/report/index.html",
    resources:
        **page_needs(),
    params:
        code=code("report"),
        sessions=" ".join(SESSIONS),
    log:
        "results/logs/index.log",
    shell:
        "nodeday stage index {params.sessions} > {log} 2>&1"
