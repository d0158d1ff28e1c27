# How well the sensors agree with each other, the lag of contact, and asymmetry of the limbs. Included
# before `estimates.smk`; the figures name the table of estimates by its path, because its rule follows.


rule agreement_of_sensors:
    input:
        metrics=rules.collect.output.metrics_table,
    output:
        estimates=f"{RESULTS}/models/agreement_of_sensors.parquet",
    log:
        f"{RESULTS}/logs/agreement_of_sensors.log",
    benchmark:
        f"{RESULTS}/benchmarks/agreement_of_sensors.tsv"
    params:
        step="analysis.models.agreement:agreement_of_sensors",
        rerun_when_code_changes=code_of(
            "analysis.models.agreement:agreement_of_sensors"
        ),
        plan=STUDY.plan,
    message:
        "Measuring how well the sensors agree"
    script:
        "../../shared/step.py"


rule contact_lag_of_waist:
    input:
        metrics=rules.collect.output.metrics_table,
    output:
        estimates=f"{RESULTS}/models/contact_lag_of_waist.parquet",
    log:
        f"{RESULTS}/logs/contact_lag_of_waist.log",
    benchmark:
        f"{RESULTS}/benchmarks/contact_lag_of_waist.tsv"
    params:
        step="analysis.models.contact_lag:contact_lag_of_waist",
        rerun_when_code_changes=code_of(
            "analysis.models.contact_lag:contact_lag_of_waist"
        ),
        plan=STUDY.plan,
    message:
        "Measuring the lag of contact of the waist unit"
    script:
        "../../shared/step.py"


rule asymmetry_of_limbs:
    input:
        summaries=rules.collect.output.summaries_table,
        cohort=rules.build_cohort.output.cohort,
    output:
        estimates=f"{RESULTS}/models/asymmetry_of_limbs.parquet",
    log:
        f"{RESULTS}/logs/asymmetry_of_limbs.log",
    benchmark:
        f"{RESULTS}/benchmarks/asymmetry_of_limbs.tsv"
    params:
        step="analysis.models.asymmetry:asymmetry_of_limbs",
        rerun_when_code_changes=code_of("analysis.models.asymmetry:asymmetry_of_limbs"),
        plan=STUDY.plan,
        study=STUDY.study,
        minimum_valid_trials=STUDY.processing["minimum_valid_trials"],
    message:
        "Summarising the asymmetry of the limbs"
    script:
        "../../shared/step.py"


rule draw_agreement:
    input:
        metrics=rules.collect.output.metrics_table,
        estimates=f"{RESULTS}/tables/estimates.parquet",
    output:
        svg=report(
            f"{RESULTS}/report/figures/agreement.svg",
            caption="../report/captions/agreement.rst",
            category="Measurements",
        ),
        png=f"{RESULTS}/report/figures/agreement.png",
        data=f"{RESULTS}/report/figures/agreement.csv",
        numbers=f"{RESULTS}/report/numbers/agreement.parquet",
    log:
        f"{RESULTS}/logs/draw_agreement.log",
    params:
        step="analysis.figures.agreement:draw_agreement",
        rerun_when_code_changes=code_of("analysis.figures.agreement:draw_agreement"),
        study=STUDY.study,
    message:
        "Drawing the agreement of the sensors"
    script:
        "../../shared/step.py"


rule draw_contact_lag:
    input:
        metrics=rules.collect.output.metrics_table,
        estimates=f"{RESULTS}/tables/estimates.parquet",
    output:
        svg=report(
            f"{RESULTS}/report/figures/contact_lag.svg",
            caption="../report/captions/contact_lag.rst",
            category="Measurements",
        ),
        png=f"{RESULTS}/report/figures/contact_lag.png",
        data=f"{RESULTS}/report/figures/contact_lag.csv",
        numbers=f"{RESULTS}/report/numbers/contact_lag.parquet",
    log:
        f"{RESULTS}/logs/draw_contact_lag.log",
    params:
        step="analysis.figures.contact_lag:draw_contact_lag",
        rerun_when_code_changes=code_of("analysis.figures.contact_lag:draw_contact_lag"),
        study=STUDY.study,
    message:
        "Drawing the lag of contact"
    script:
        "../../shared/step.py"
