# All numbers of the study, as rows of one table with their conventions.
EXCLUSIONS = [
    rules.check_study.output.exclusions,
    rules.collect.output.exclusions_table,
    rules.build_cohort.output.exclusions,
]


rule flow_diagram:
    input:
        cohort=rules.build_cohort.output.cohort,
        code=code_of("analysis.models.flow:flow_diagram"),
    output:
        estimates=f"{RESULTS}/models/flow_diagram.parquet",
    log:
        f"{RESULTS}/logs/flow_diagram.log",
    benchmark:
        f"{RESULTS}/benchmarks/flow_diagram.tsv"
    params:
        step="analysis.models.flow:flow_diagram",
        plan=STUDY.plan,
        freeze=STUDY.freeze,
    message:
        "Counting the flow of athletes"
    script:
        "../../shared/step.py"


rule table_one:
    input:
        cohort=rules.build_cohort.output.cohort,
        code=code_of("analysis.models.table_one:table_one"),
    output:
        estimates=f"{RESULTS}/models/table_one.parquet",
    log:
        f"{RESULTS}/logs/table_one.log",
    benchmark:
        f"{RESULTS}/benchmarks/table_one.tsv"
    params:
        step="analysis.models.table_one:table_one",
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
        code=code_of("analysis.models.quality:data_quality"),
    output:
        estimates=f"{RESULTS}/models/data_quality.parquet",
    log:
        f"{RESULTS}/logs/data_quality.log",
    benchmark:
        f"{RESULTS}/benchmarks/data_quality.tsv"
    params:
        step="analysis.models.quality:data_quality",
    message:
        "Counting what the sensors delivered"
    script:
        "../../shared/step.py"


rule limb_differences:
    input:
        metrics=rules.collect.output.metrics_table,
        cohort=rules.build_cohort.output.cohort,
        code=code_of("analysis.models.limb_difference:limb_differences"),
    output:
        estimates=f"{RESULTS}/models/limb_differences.parquet",
    log:
        f"{RESULTS}/logs/limb_differences.log",
    benchmark:
        f"{RESULTS}/benchmarks/limb_differences.tsv"
    params:
        step="analysis.models.limb_difference:limb_differences",
        plan=STUDY.plan,
        study=STUDY.study,
    message:
        "Fitting mixed models of the limb difference"
    script:
        "../../shared/step.py"


rule cox_models:
    input:
        cohort=rules.build_cohort.output.cohort,
        code=code_of("analysis.models.cox_models:cox_models"),
    output:
        estimates=f"{RESULTS}/models/cox_models.parquet",
    log:
        f"{RESULTS}/logs/cox_models.log",
    benchmark:
        f"{RESULTS}/benchmarks/cox_models.tsv"
    params:
        step="analysis.models.cox_models:cox_models",
        plan=STUDY.plan,
        freeze=STUDY.freeze,
    message:
        "Fitting cause-specific Cox models"
    script:
        "../../shared/step.py"


rule incidence_curves:
    input:
        cohort=rules.build_cohort.output.cohort,
        code=code_of("analysis.models.cumulative_incidence:incidence_curves"),
    output:
        estimates=f"{RESULTS}/models/incidence_curves.parquet",
    log:
        f"{RESULTS}/logs/incidence_curves.log",
    benchmark:
        f"{RESULTS}/benchmarks/incidence_curves.tsv"
    params:
        step="analysis.models.cumulative_incidence:incidence_curves",
        plan=STUDY.plan,
        freeze=STUDY.freeze,
    message:
        "Estimating cumulative incidence"
    script:
        "../../shared/step.py"


rule incidence_rates:
    input:
        cohort=rules.build_cohort.output.cohort,
        code=code_of("analysis.models.incidence_rates:incidence_rates"),
    output:
        estimates=f"{RESULTS}/models/incidence_rates.parquet",
    log:
        f"{RESULTS}/logs/incidence_rates.log",
    benchmark:
        f"{RESULTS}/benchmarks/incidence_rates.tsv"
    params:
        step="analysis.models.incidence_rates:incidence_rates",
        plan=STUDY.plan,
        freeze=STUDY.freeze,
    message:
        "Estimating incidence rates"
    script:
        "../../shared/step.py"


rule collect_estimates:
    input:
        parts=[
            rules.flow_diagram.output.estimates,
            rules.table_one.output.estimates,
            rules.data_quality.output.estimates,
            rules.limb_differences.output.estimates,
            rules.cox_models.output.estimates,
            rules.incidence_curves.output.estimates,
            rules.incidence_rates.output.estimates,
        ],
        code=code_of("analysis.estimates:collect_estimates"),
    output:
        estimates=f"{RESULTS}/tables/estimates.parquet",
    log:
        f"{RESULTS}/logs/collect_estimates.log",
    benchmark:
        f"{RESULTS}/benchmarks/collect_estimates.tsv"
    params:
        step="analysis.estimates:collect_estimates",
    message:
        "Collecting all estimates"
    script:
        "../../shared/step.py"
