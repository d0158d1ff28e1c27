# The landmark cohort: who counts, what was measured at clearance, what happened afterwards.


rule build_cohort:
    input:
        athletes=rules.check_study.output.athletes,
        visits=rules.check_study.output.visits,
        outcomes=rules.check_study.output.outcomes,
        exposure=rules.check_study.output.exposure,
        summaries=rules.collect.output.summaries_table,
    output:
        cohort=f"{RESULTS}/tables/cohort.parquet",
        exclusions=f"{RESULTS}/cohort/exclusions.parquet",
    log:
        f"{RESULTS}/logs/build_cohort.log",
    benchmark:
        f"{RESULTS}/benchmarks/build_cohort.tsv"
    params:
        step="analysis.cohort.landmark:build_cohort",
        rerun_when_code_changes=code_of("analysis.cohort.landmark:build_cohort"),
        plan=STUDY.plan,
        study=STUDY.study,
        freeze=STUDY.freeze,
        minimum_valid_trials=STUDY.processing["minimum_valid_trials"],
    message:
        "Building the landmark cohort"
    script:
        "../../shared/step.py"
