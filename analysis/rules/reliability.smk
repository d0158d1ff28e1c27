# Reliability of the metrics from the study's own trials and visits, and landings known to differ.


rule metric_reliability:
    input:
        metrics=rules.collect.output.metrics_table,
        cohort=rules.build_cohort.output.cohort,
        code=code_of("analysis.models.metric_reliability:metric_reliability"),
    output:
        estimates=f"{RESULTS}/models/metric_reliability.parquet",
    log:
        f"{RESULTS}/logs/metric_reliability.log",
    benchmark:
        f"{RESULTS}/benchmarks/metric_reliability.tsv"
    params:
        step="analysis.models.metric_reliability:metric_reliability",
        plan=STUDY.plan,
        study=STUDY.study,
    message:
        "Estimating the reliability of the metrics"
    script:
        "../../shared/step.py"


rule known_groups:
    input:
        metrics=rules.collect.output.metrics_table,
        code=code_of("analysis.models.known_groups:known_groups"),
    output:
        estimates=f"{RESULTS}/models/known_groups.parquet",
    log:
        f"{RESULTS}/logs/known_groups.log",
    benchmark:
        f"{RESULTS}/benchmarks/known_groups.tsv"
    params:
        step="analysis.models.known_groups:known_groups",
        plan=STUDY.plan,
    message:
        "Comparing soft with stiff instructed landings"
    script:
        "../../shared/step.py"
