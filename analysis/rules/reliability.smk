# Reliability of the metrics from the study's own trials and visits.


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
