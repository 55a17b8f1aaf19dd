# A page repeats what the study's tables hold of its session, and that follows from the tables of the
# participant's sessions, from the sheets' rows on these and from the study's settings. So news of another
# session, which makes the study's tables anew, leaves a page as it is: `ancient`. An engine that has to make
# the study's tables looks at no parameter of what comes after them, hence the settings and the rows of the
# sheets as files that come before.
PARTICIPANT_SESSIONS = sessions_of_participants(study, SESSIONS)


rule study_settings:
    output:
        "results/study/.settings_digest",
    log:
        "results/logs/study_settings.log",
    params:
        digest=digest([code("report"), *of_page(study).values()]),
    shell:
        "echo {params.digest} > {output} 2> {log}"


rule participant_notes:
    output:
        "results/study/.notes_digest/{session}",
    log:
        "results/logs/{session}/participant_notes.log",
    params:
        digest=lambda wildcards: digest(
            sheet_text(study, name) for name in PARTICIPANT_SESSIONS.get(wildcards.session, [])
        ),
    shell:
        "echo {params.digest} > {output} 2> {log}"


# One file that stands for the study's tables: the engine looks through all that a job reads, once
# for each file that another job wants of it.
rule study_tables_ready:
    input:
        study_tables(STAGES["report"].reads),
    output:
        touch("results/study/.tables_ready"),


rule report:
    input:
        session_tables(STAGES["report"].reads),
        ledgers(),
        "results/study/.settings_digest",
        "results/study/.notes_digest/{session}",
        lambda wildcards: expand(table("epochs"), session=PARTICIPANT_SESSIONS.get(wildcards.session, [])),
        ancient("results/study/.tables_ready"),
    output:
        page="results/report/{session}.html",
    log:
        "results/logs/{session}/report.log",
    benchmark:
        "results/benchmarks/{session}/report.tsv"
    resources:
        **page_needs(),
    params:
        code=code_and_libraries("report"),
        title=digest([study.file.title]),
    shell:
        "nodeday stage report {wildcards.session} > {log} 2>&1"


# It reads tables of sessions as well, which come before those of the study.
rule index:
    input:
        study_tables(STAGES["index"].reads),
    output:
        index="results/report/index.html",
    log:
        "results/logs/index.log",
    benchmark:
        "results/benchmarks/index.tsv"
    resources:
        **page_needs(),
    params:
        code=code_and_libraries("report"),
        sessions=" ".join(SESSIONS),
    shell:
        "nodeday stage index {params.sessions} > {log} 2>&1"
