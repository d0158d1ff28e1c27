# Missing and clipped primary metrics: filled in once for all models, and shifted as a trial.


rule impute_cohort:
    input:
        cohort=rules.build_cohort.output.cohort,
        metrics=rules.collect.output.metrics_table,
    output:
        filled=f"{RESULTS}/tables/filled_values.parquet",
        estimates=f"{RESULTS}/models/impute_cohort.parquet",
    log:
        f"{RESULTS}/logs/impute_cohort.log",
    benchmark:
        f"{RESULTS}/benchmarks/impute_cohort.tsv"
    params:
        step="analysis.models.impute_cohort:impute_cohort",
        rerun_when_code_changes=code_of("analysis.models.impute_cohort:impute_cohort"),
        plan=STUDY.plan,
        study=STUDY.study,
        freeze=STUDY.freeze,
    message:
        "Filling in missing and clipped metrics"
    script:
        "../../shared/step.py"


rule shifted_cox:
    input:
        cohort=rules.build_cohort.output.cohort,
        filled=rules.impute_cohort.output.filled,
        imputation=rules.impute_cohort.output.estimates,
    output:
        estimates=f"{RESULTS}/models/shifted_cox.parquet",
    log:
        f"{RESULTS}/logs/shifted_cox.log",
    benchmark:
        f"{RESULTS}/benchmarks/shifted_cox.tsv"
    params:
        step="analysis.models.shifted_cox:shifted_cox",
        rerun_when_code_changes=code_of("analysis.models.shifted_cox:shifted_cox"),
        plan=STUDY.plan,
        freeze=STUDY.freeze,
    message:
        "Shifting what was filled in"
    script:
        "../../shared/step.py"
