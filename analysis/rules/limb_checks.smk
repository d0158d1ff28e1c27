# Checks of the mixed models of the limb difference.


rule limb_checks:
    input:
        metrics=rules.collect.output.metrics_table,
        cohort=rules.build_cohort.output.cohort,
    output:
        estimates=f"{RESULTS}/models/limb_checks.parquet",
    log:
        f"{RESULTS}/logs/limb_checks.log",
    benchmark:
        f"{RESULTS}/benchmarks/limb_checks.tsv"
    params:
        step="analysis.models.limb_checks:limb_checks",
        rerun_when_code_changes=code_of("analysis.models.limb_checks:limb_checks"),
        plan=STUDY.plan,
        study=STUDY.study,
    message:
        "Checking the mixed models of the limb difference"
    script:
        "../../shared/step.py"
