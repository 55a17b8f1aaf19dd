# Only for sessions that config/scenario.yaml plans: makes their captures. The engine removes what
# a rule is about to write, so a capture that was recorded must never be this rule's to write:
# `Study.problems` leaves such a session out.
if study.planned:

    rule simulate:
        input:
            scenario="config/scenario.yaml",
            layouts=lambda wildcards: layouts(study, wildcards.session),
        output:
            capture="captures/{session}.bin",
            truth="captures/{session}.truth.npz",
        log:
            "results/logs/{session}/simulate.log",
        benchmark:
            "results/benchmarks/{session}/simulate.tsv"
        wildcard_constraints:
            session="|".join(name for name in sorted(study.planned) if not problems.get(name)) or "(?!)",
        group:
            "session"
        resources:
            **session_needs(study),
        params:
            code=code_and_libraries("simulate"),
        shell:
            "nodeday stage simulate {wildcards.session} > {log} 2>&1"
