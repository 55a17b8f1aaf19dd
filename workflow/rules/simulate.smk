# Only for a study that plans its sessions in config/scenario.yaml: makes their captures.
if study.scenario.exists():

    rule simulate:
        input:
            scenario="config/scenario.yaml",
        output:
            capture="captures/{session}.bin",
            truth="captures/{session}.truth.npz",
        params:
            code=code("simulate"),
        log:
            "results/logs/{session}/simulate.log",
        shell:
            "nodeday room simulate {wildcards.session} > {log} 2>&1"
