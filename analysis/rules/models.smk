# All numbers of the study, as rows of one table with their conventions.
EXCLUSIONS = [
    rules.check_study.output.exclusions,
    rules.collect.output.exclusions_table,
    rules.build_cohort.output.exclusions,
]


rule flow_diagram:
    input:
        cohort=rules.build_cohort.output.cohort,
        withdrawals=rules.check_study.output.withdrawals,
    output:
        estimates=f"{RESULTS}/models/flow_diagram.parquet",
    log:
        f"{RESULTS}/logs/flow_diagram.log",
    benchmark:
        f"{RESULTS}/benchmarks/flow_diagram.tsv"
    params:
        step="analysis.models.flow:flow_diagram",
        rerun_when_code_changes=code_of("analysis.models.flow:flow_diagram"),
        plan=STUDY.plan,
        freeze=STUDY.freeze,
    message:
        "Counting the flow of athletes"
    script:
        "../../shared/step.py"


rule table_one:
    input:
        cohort=rules.build_cohort.output.cohort,
    output:
        estimates=f"{RESULTS}/models/table_one.parquet",
    log:
        f"{RESULTS}/logs/table_one.log",
    benchmark:
        f"{RESULTS}/benchmarks/table_one.tsv"
    params:
        step="analysis.models.table_one:table_one",
        rerun_when_code_changes=code_of("analysis.models.table_one:table_one"),
        plan=STUDY.plan,
        freeze=STUDY.freeze,
    message:
        "Describing the cohort"
    script:
        "../../shared/step.py"


rule data_quality:
    input:
        recordings=rules.collect.output.recordings_table,
        landings=rules.collect.output.landings_table,
        metrics=rules.collect.output.metrics_table,
        exclusions=EXCLUSIONS,
        cohort=rules.build_cohort.output.cohort,
    output:
        estimates=f"{RESULTS}/models/data_quality.parquet",
    log:
        f"{RESULTS}/logs/data_quality.log",
    benchmark:
        f"{RESULTS}/benchmarks/data_quality.tsv"
    params:
        step="analysis.models.quality:data_quality",
        rerun_when_code_changes=code_of("analysis.models.quality:data_quality"),
        quality=STUDY.processing["quality"],
    message:
        "Counting what the sensors delivered"
    script:
        "../../shared/step.py"


rule limb_differences:
    input:
        metrics=rules.collect.output.metrics_table,
        cohort=rules.build_cohort.output.cohort,
    output:
        estimates=f"{RESULTS}/models/limb_differences.parquet",
    log:
        f"{RESULTS}/logs/limb_differences.log",
    benchmark:
        f"{RESULTS}/benchmarks/limb_differences.tsv"
    params:
        step="analysis.models.limb_difference:limb_differences",
        rerun_when_code_changes=code_of(
            "analysis.models.limb_difference:limb_differences"
        ),
        plan=STUDY.plan,
        study=STUDY.study,
    message:
        "Fitting mixed models of the limb difference"
    script:
        "../../shared/step.py"


rule cox_models:
    input:
        cohort=rules.build_cohort.output.cohort,
        filled=rules.impute_cohort.output.filled,
        imputation=rules.impute_cohort.output.estimates,
    output:
        estimates=f"{RESULTS}/models/cox_models.parquet",
    log:
        f"{RESULTS}/logs/cox_models.log",
    benchmark:
        f"{RESULTS}/benchmarks/cox_models.tsv"
    params:
        step="analysis.models.cox_models:cox_models",
        rerun_when_code_changes=code_of("analysis.models.cox_models:cox_models"),
        plan=STUDY.plan,
        freeze=STUDY.freeze,
    message:
        "Fitting cause-specific Cox models"
    script:
        "../../shared/step.py"


rule incidence_curves:
    input:
        cohort=rules.build_cohort.output.cohort,
    output:
        estimates=f"{RESULTS}/models/incidence_curves.parquet",
    log:
        f"{RESULTS}/logs/incidence_curves.log",
    benchmark:
        f"{RESULTS}/benchmarks/incidence_curves.tsv"
    params:
        step="analysis.models.cumulative_incidence:incidence_curves",
        rerun_when_code_changes=code_of(
            "analysis.models.cumulative_incidence:incidence_curves"
        ),
        plan=STUDY.plan,
        freeze=STUDY.freeze,
    message:
        "Estimating cumulative incidence"
    script:
        "../../shared/step.py"


rule incidence_rates:
    input:
        cohort=rules.build_cohort.output.cohort,
    output:
        estimates=f"{RESULTS}/models/incidence_rates.parquet",
    log:
        f"{RESULTS}/logs/incidence_rates.log",
    benchmark:
        f"{RESULTS}/benchmarks/incidence_rates.tsv"
    params:
        step="analysis.models.incidence_rates:incidence_rates",
        rerun_when_code_changes=code_of(
            "analysis.models.incidence_rates:incidence_rates"
        ),
        plan=STUDY.plan,
        freeze=STUDY.freeze,
    message:
        "Estimating incidence rates"
    script:
        "../../shared/step.py"


rule calibrated_cox:
    input:
        cohort=rules.build_cohort.output.cohort,
        metrics=rules.collect.output.metrics_table,
        filled=rules.impute_cohort.output.filled,
        imputation=rules.impute_cohort.output.estimates,
    output:
        estimates=f"{RESULTS}/models/calibrated_cox.parquet",
    log:
        f"{RESULTS}/logs/calibrated_cox.log",
    benchmark:
        f"{RESULTS}/benchmarks/calibrated_cox.tsv"
    params:
        step="analysis.models.calibrated_cox:calibrated_cox",
        rerun_when_code_changes=code_of("analysis.models.calibrated_cox:calibrated_cox"),
        plan=STUDY.plan,
        study=STUDY.study,
        freeze=STUDY.freeze,
    message:
        "Correcting hazard ratios for measurement error"
    script:
        "../../shared/step.py"


rule sensor_answer:
    input:
        cohort=rules.build_cohort.output.cohort,
        metrics=rules.collect.output.metrics_table,
    output:
        estimates=f"{RESULTS}/models/sensor_answer.parquet",
    log:
        f"{RESULTS}/logs/sensor_answer.log",
    benchmark:
        f"{RESULTS}/benchmarks/sensor_answer.tsv"
    params:
        step="analysis.models.sensor_answer:sensor_answer",
        rerun_when_code_changes=code_of("analysis.models.sensor_answer:sensor_answer"),
        plan=STUDY.plan,
        study=STUDY.study,
        freeze=STUDY.freeze,
    message:
        "Asking how good the sensors are for the question"
    script:
        "../../shared/step.py"


if STUDY.truth:

    rule compare_with_truth:
        input:
            effects=f"{STUDY.truth}/effects.parquet",
            truth_landings=f"{STUDY.truth}/landings.parquet",
            truth_athletes=f"{STUDY.truth}/athletes.parquet",
            truth_nuisances=f"{STUDY.truth}/nuisances.parquet",
            recordings=rules.collect.output.recordings_table,
            landings=rules.collect.output.landings_table,
            metrics=rules.collect.output.metrics_table,
            cohort=rules.build_cohort.output.cohort,
            found=[
                rules.cox_models.output.estimates,
                rules.calibrated_cox.output.estimates,
            ],
            filled=rules.impute_cohort.output.filled,
            imputation=rules.impute_cohort.output.estimates,
        output:
            estimates=f"{RESULTS}/models/compare_with_truth.parquet",
        log:
            f"{RESULTS}/logs/compare_with_truth.log",
        benchmark:
            f"{RESULTS}/benchmarks/compare_with_truth.tsv"
        params:
            step="analysis.models.planted:compare_with_truth",
            rerun_when_code_changes=code_of(
                "analysis.models.planted:compare_with_truth"
            ),
            plan=STUDY.plan,
            freeze=STUDY.freeze,
        message:
            "Holding what was found beside what was planted"
        script:
            "../../shared/step.py"
