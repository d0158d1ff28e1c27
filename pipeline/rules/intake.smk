# Check everything before anything is computed; index every recording.


rule check_study:
    input:
        tables=STUDY.tables(),
    output:
        recordings_index=f"{RESULTS}/intake/recordings_index.parquet",
        calibration_index=f"{RESULTS}/intake/calibration_index.parquet",
        unit_calibration_index=f"{RESULTS}/intake/unit_calibration_index.parquet",
        athletes=f"{RESULTS}/intake/athletes.parquet",
        visits=f"{RESULTS}/intake/visits.parquet",
        outcomes=f"{RESULTS}/intake/outcomes.parquet",
        exposure=f"{RESULTS}/intake/exposure.parquet",
        exclusions=f"{RESULTS}/intake/exclusions.parquet",
        withdrawals=f"{RESULTS}/intake/withdrawals.parquet",
        report=report(
            f"{RESULTS}/intake/problems.txt",
            caption="../../analysis/report/captions/problems.rst",
            category="Data quality",
        ),
    log:
        f"{RESULTS}/logs/check_study.log",
    benchmark:
        f"{RESULTS}/benchmarks/check_study.tsv"
    params:
        step="pipeline.intake.check:check_study",
        rerun_when_code_changes=code_of("pipeline.intake.check:check_study"),
        study=STUDY.study,
        devices=STUDY.devices,
        study_folder=STUDY.study_folder,
        rerun_when_files_change=STUDY.listing(),
    message:
        "Checking study tables, files and settings against each other"
    script:
        "../../shared/step.py"
