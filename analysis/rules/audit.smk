# The second opinion: from the raw files by code that shares nothing with the pipeline, and by R.
import shutil


rule rederive_landings:
    input:
        # The tables change with the raw files, whose hashes the table of recordings holds.
        metrics=rules.collect.output.metrics_table,
        recordings=rules.collect.output.recordings_table,
        calibrations=rules.collect.output.calibrations_table,
        unit_calibrations=rules.calibrate_units.output.unit_calibrations,
        athletes=rules.check_study.output.athletes,
    output:
        estimates=f"{RESULTS}/models/rederived.parquet",
    log:
        f"{RESULTS}/logs/rederive_landings.log",
    benchmark:
        f"{RESULTS}/benchmarks/rederive_landings.tsv"
    params:
        step="analysis.audit.rederive:rederive",
        rerun_when_code_changes=code_of("analysis.audit.rederive:rederive"),
        study=STUDY.study,
        processing=STUDY.processing,
        devices=STUDY.devices,
        plan=STUDY.plan,
        study_folder=STUDY.study_folder,
    message:
        "Deriving a share of the landings a second time"
    script:
        "../../shared/step.py"


rule compare_with_r:
    input:
        metrics=rules.collect.output.metrics_table,
        cohort=rules.build_cohort.output.cohort,
        filled=rules.impute_cohort.output.filled,
        imputation=rules.impute_cohort.output.estimates,
        hazard_ratios=rules.cox_models.output.estimates,
        limb_differences=rules.limb_differences.output.estimates,
    output:
        bundle=directory(f"{RESULTS}/r_bundle"),
        estimates=f"{RESULTS}/models/r_second_opinion.parquet",
    log:
        f"{RESULTS}/logs/compare_with_r.log",
    benchmark:
        f"{RESULTS}/benchmarks/compare_with_r.tsv"
    params:
        step="analysis.audit.r_bundle:r_bundle",
        rerun_when_code_changes=code_of("analysis.audit.r_bundle:r_bundle"),
        rerun_when_r_code_changes=digest_of_files("analysis/audit/in_r/*.R"),
        plan=STUDY.plan,
        study=STUDY.study,
        freeze=STUDY.freeze,
        rerun_when_r_comes_or_goes=shutil.which("Rscript") is not None,
    message:
        "Writing the primary models for R"
    script:
        "../../shared/step.py"
