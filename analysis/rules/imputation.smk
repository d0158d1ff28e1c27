# Sensitivity: the primary models with missing and clipped predictors filled in.


rule imputed_cox:
    input:
        cohort=rules.build_cohort.output.cohort,
        metrics=rules.collect.output.metrics_table,
        code=code_of("analysis.models.imputed_cox:imputed_cox"),
    output:
        estimates=f"{RESULTS}/models/imputed_cox.parquet",
    log:
        f"{RESULTS}/logs/imputed_cox.log",
    benchmark:
        f"{RESULTS}/benchmarks/imputed_cox.tsv"
    params:
        step="analysis.models.imputed_cox:imputed_cox",
        plan=STUDY.plan,
        study=STUDY.study,
        freeze=STUDY.freeze,
    message:
        "Filling in missing and clipped metrics"
    script:
        "../../shared/step.py"
