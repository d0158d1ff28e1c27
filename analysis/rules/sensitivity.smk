# The primary models under other choices: form of effects, error of measurement, single events.
rule cox_sensitivity:
    input:
        cohort=rules.build_cohort.output.cohort,
        metrics=rules.collect.output.metrics_table,
        filled=rules.impute_cohort.output.filled,
        imputation=rules.impute_cohort.output.estimates,
    output:
        estimates=f"{RESULTS}/models/cox_sensitivity.parquet",
    log:
        f"{RESULTS}/logs/cox_sensitivity.log",
    benchmark:
        f"{RESULTS}/benchmarks/cox_sensitivity.tsv"
    params:
        step="analysis.models.cox_sensitivity:cox_sensitivity",
        rerun_when_code_changes=code_of(
            "analysis.models.cox_sensitivity:cox_sensitivity"
        ),
        plan=STUDY.plan,
        study=STUDY.study,
        freeze=STUDY.freeze,
    message:
        "Trying the primary models under other choices"
    script:
        "../../shared/step.py"


rule cox_alternatives:
    input:
        cohort=rules.build_cohort.output.cohort,
        summaries=rules.collect.output.summaries_table,
        filled=rules.impute_cohort.output.filled,
        imputation=rules.impute_cohort.output.estimates,
    output:
        estimates=f"{RESULTS}/models/cox_alternatives.parquet",
    log:
        f"{RESULTS}/logs/cox_alternatives.log",
    benchmark:
        f"{RESULTS}/benchmarks/cox_alternatives.tsv"
    params:
        step="analysis.models.cox_alternatives:cox_alternatives",
        rerun_when_code_changes=code_of(
            "analysis.models.cox_alternatives:cox_alternatives"
        ),
        plan=STUDY.plan,
        study=STUDY.study,
        freeze=STUDY.freeze,
        minimum_valid_trials=STUDY.processing["minimum_valid_trials"],
    message:
        "Checking the primary models and trying others of the same question"
    script:
        "../../shared/step.py"
