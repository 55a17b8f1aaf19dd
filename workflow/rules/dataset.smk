# Last of all: the data package, the methods, and the manifest of everything.


rule dataset:
    input:
        "results/report/index.html",
        expand("results/report/{session}.html", session=SESSIONS),
        study_tables(STAGES["dataset"].reads),
        expand(session_tables(STAGES["dataset"].reads), session=SESSIONS),
        lambda wildcards: [path for name in SESSIONS for path in captures(study, name)],
        lambda wildcards: settings_files(study),
    output:
        package="results/datapackage.json",
        words="results/dictionary.md",
        columns="results/dictionary.csv",
        methods="results/methods.json",
        paragraph="results/methods.md",
        manifest="results/manifest.json",
    log:
        "results/logs/dataset.log",
    benchmark:
        "results/benchmarks/dataset.tsv"
    resources:
        **study_needs(SESSIONS),
    params:
        code=code_and_libraries("dataset"),
        sessions=" ".join(f"--session {name}" for name in SESSIONS),
    shell:
        "nodeday export package {params.sessions} > {log} 2>&1"
