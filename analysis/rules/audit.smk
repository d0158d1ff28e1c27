# A second opinion from the raw files, by code that shares nothing with the pipeline.


rule rederive_landings:
    input:
        # The tables change with the raw files, whose hashes the table of recordings holds.
        metrics=rules.collect.output.metrics_table,
        recordings=rules.collect.output.recordings_table,
        calibrations=rules.collect.output.calibrations_table,
        unit_calibrations=rules.calibrate_units.output.unit_calibrations,
        athletes=rules.check_study.output.athletes,
        code=code_of("analysis.audit.rederive:rederive"),
    output:
        estimates=f"{RESULTS}/models/rederived.parquet",
    log:
        f"{RESULTS}/logs/rederive_landings.log",
    benchmark:
        f"{RESULTS}/benchmarks/rederive_landings.tsv"
    params:
        step="analysis.audit.rederive:rederive",
        study=STUDY.study,
        processing=STUDY.processing,
        devices=STUDY.devices,
        plan=STUDY.plan,
        study_folder=STUDY.study_folder,
    message:
        "Deriving a share of the landings a second time"
    script:
        "../../shared/step.py"
