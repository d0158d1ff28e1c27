# Reliability of the metrics from the study's own trials and visits, and landings known to differ.
# Included before `estimates.smk`; the figure names the table of estimates by its path, because its
# rule follows.


rule metric_reliability:
    input:
        metrics=rules.collect.output.metrics_table,
        cohort=rules.build_cohort.output.cohort,
    output:
        estimates=f"{RESULTS}/models/metric_reliability.parquet",
    log:
        f"{RESULTS}/logs/metric_reliability.log",
    benchmark:
        f"{RESULTS}/benchmarks/metric_reliability.tsv"
    params:
        step="analysis.models.metric_reliability:metric_reliability",
        rerun_when_code_changes=code_of(
            "analysis.models.metric_reliability:metric_reliability"
        ),
        plan=STUDY.plan,
        study=STUDY.study,
    message:
        "Estimating the reliability of the metrics"
    script:
        "../../shared/step.py"


rule known_groups:
    input:
        metrics=rules.collect.output.metrics_table,
    output:
        estimates=f"{RESULTS}/models/known_groups.parquet",
    log:
        f"{RESULTS}/logs/known_groups.log",
    benchmark:
        f"{RESULTS}/benchmarks/known_groups.tsv"
    params:
        step="analysis.models.known_groups:known_groups",
        rerun_when_code_changes=code_of("analysis.models.known_groups:known_groups"),
        plan=STUDY.plan,
    message:
        "Comparing soft with stiff instructed landings"
    script:
        "../../shared/step.py"


rule draw_reliability:
    input:
        estimates=f"{RESULTS}/tables/estimates.parquet",
    output:
        svg=report(
            f"{RESULTS}/report/figures/reliability.svg",
            caption="../report/captions/reliability.rst",
            category="Measurements",
        ),
        png=f"{RESULTS}/report/figures/reliability.png",
        data=f"{RESULTS}/report/figures/reliability.csv",
    log:
        f"{RESULTS}/logs/draw_reliability.log",
    params:
        step="analysis.figures.reliability:draw_reliability",
        rerun_when_code_changes=code_of("analysis.figures.reliability:draw_reliability"),
        plan=STUDY.plan,
        study=STUDY.study,
    message:
        "Drawing the reliability of the metrics"
    script:
        "../../shared/step.py"
