# All numbers of the study in one table: which analyses give them.


rule collect_estimates:
    input:
        parts=[
            rules.flow_diagram.output.estimates,
            rules.table_one.output.estimates,
            rules.data_quality.output.estimates,
            rules.sensor_quality.output.estimates,
            rules.residual_cutoffs.output.estimates,
            rules.limb_differences.output.estimates,
            rules.limb_checks.output.estimates,
            rules.metric_reliability.output.estimates,
            rules.known_groups.output.estimates,
            rules.force_from_waist.output.estimates,
            rules.asymmetry_of_limbs.output.estimates,
            rules.agreement_of_sensors.output.estimates,
            rules.contact_lag_of_waist.output.estimates,
            rules.cox_models.output.estimates,
            rules.incidence_curves.output.estimates,
            rules.incidence_rates.output.estimates,
            rules.calibrated_cox.output.estimates,
            rules.cox_sensitivity.output.estimates,
            rules.cox_alternatives.output.estimates,
            rules.prediction.output.estimates,
            rules.impute_cohort.output.estimates,
            rules.shifted_cox.output.estimates,
            rules.sensor_answer.output.estimates,
            rules.rederive_landings.output.estimates,
            rules.compare_with_r.output.estimates,
            *([rules.native_rate.output.estimates] if STUDY.is_harmonised else []),
            *([rules.compare_with_truth.output.estimates] if STUDY.truth else []),
        ],
    output:
        estimates=f"{RESULTS}/tables/estimates.parquet",
    log:
        f"{RESULTS}/logs/collect_estimates.log",
    benchmark:
        f"{RESULTS}/benchmarks/collect_estimates.tsv"
    params:
        step="analysis.estimates:collect_estimates",
        rerun_when_code_changes=code_of("analysis.estimates:collect_estimates"),
    message:
        "Collecting all estimates"
    script:
        "../../shared/step.py"
