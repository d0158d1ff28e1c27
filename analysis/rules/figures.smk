# Figures read estimates or tables; each writes SVG, PNG, its data as CSV, and what it prints.
FIGURES = f"{RESULTS}/report/figures"
NUMBERS = f"{RESULTS}/report/numbers"
CAPTIONS = "../report/captions"
TASKS_SHOWN = [task for task in STUDY.study["tasks"] if task != "standing"]


rule draw_flow:
    input:
        estimates=rules.collect_estimates.output.estimates,
    output:
        svg=report(
            f"{FIGURES}/flow.svg", caption=f"{CAPTIONS}/flow.rst", category="Athletes"
        ),
        png=f"{FIGURES}/flow.png",
        data=f"{FIGURES}/flow.csv",
        numbers=f"{NUMBERS}/flow.parquet",
    log:
        f"{RESULTS}/logs/draw_flow.log",
    params:
        step="analysis.figures.flow:draw_flow",
        rerun_when_code_changes=code_of("analysis.figures.flow:draw_flow"),
        plan=STUDY.plan,
        study=STUDY.study,
    message:
        "Drawing the flow of athletes"
    script:
        "../../shared/step.py"


rule draw_limb_differences:
    input:
        estimates=rules.collect_estimates.output.estimates,
    output:
        svg=report(
            f"{FIGURES}/limb_differences.svg",
            caption=f"{CAPTIONS}/limb_differences.rst",
            category="Measurements",
        ),
        png=f"{FIGURES}/limb_differences.png",
        data=f"{FIGURES}/limb_differences.csv",
        numbers=f"{NUMBERS}/limb_differences.parquet",
    log:
        f"{RESULTS}/logs/draw_limb_differences.log",
    params:
        step="analysis.figures.limb_differences:draw_limb_differences",
        rerun_when_code_changes=code_of(
            "analysis.figures.limb_differences:draw_limb_differences"
        ),
        plan=STUDY.plan,
        study=STUDY.study,
    message:
        "Drawing the limb differences"
    script:
        "../../shared/step.py"


rule draw_distributions:
    input:
        summaries=rules.collect.output.summaries_table,
    output:
        svg=report(
            f"{FIGURES}/distributions.svg",
            caption=f"{CAPTIONS}/distributions.rst",
            category="Measurements",
        ),
        png=f"{FIGURES}/distributions.png",
        data=f"{FIGURES}/distributions.csv",
    log:
        f"{RESULTS}/logs/draw_distributions.log",
    params:
        step="analysis.figures.distributions:draw_distributions",
        rerun_when_code_changes=code_of(
            "analysis.figures.distributions:draw_distributions"
        ),
        plan=STUDY.plan,
        study=STUDY.study,
        minimum_valid_trials=STUDY.processing["minimum_valid_trials"],
    message:
        "Drawing the distributions of the metrics"
    script:
        "../../shared/step.py"


rule draw_waveforms:
    input:
        waveforms=rules.collect.output.waveforms_table,
        landings=rules.collect.output.landings_table,
        metrics=rules.collect.output.metrics_table,
    output:
        svg=report(
            expand(f"{FIGURES}/waveforms_{{task}}.svg", task=TASKS_SHOWN),
            caption=f"{CAPTIONS}/waveforms.rst",
            category="Measurements",
        ),
        png=expand(f"{FIGURES}/waveforms_{{task}}.png", task=TASKS_SHOWN),
        data=expand(f"{FIGURES}/waveforms_{{task}}.csv", task=TASKS_SHOWN),
    log:
        f"{RESULTS}/logs/draw_waveforms.log",
    params:
        step="analysis.figures.waveforms:draw_waveforms",
        rerun_when_code_changes=code_of("analysis.figures.waveforms:draw_waveforms"),
        study=STUDY.study,
        windows=STUDY.processing["windows"],
        tasks=TASKS_SHOWN,
    message:
        "Drawing example landings"
    script:
        "../../shared/step.py"


rule draw_incidence:
    input:
        estimates=rules.collect_estimates.output.estimates,
    output:
        svg=report(
            f"{FIGURES}/incidence.svg",
            caption=f"{CAPTIONS}/incidence.rst",
            category="Results",
        ),
        png=f"{FIGURES}/incidence.png",
        data=f"{FIGURES}/incidence.csv",
        numbers=f"{NUMBERS}/incidence.parquet",
    log:
        f"{RESULTS}/logs/draw_incidence.log",
    params:
        step="analysis.figures.incidence:draw_incidence",
        rerun_when_code_changes=code_of("analysis.figures.incidence:draw_incidence"),
        plan=STUDY.plan,
    message:
        "Drawing the cumulative incidences"
    script:
        "../../shared/step.py"


rule draw_hazard_ratios:
    input:
        estimates=rules.collect_estimates.output.estimates,
    output:
        svg=report(
            f"{FIGURES}/hazard_ratios.svg",
            caption=f"{CAPTIONS}/hazard_ratios.rst",
            category="Results",
        ),
        png=f"{FIGURES}/hazard_ratios.png",
        data=f"{FIGURES}/hazard_ratios.csv",
        numbers=f"{NUMBERS}/hazard_ratios.parquet",
    log:
        f"{RESULTS}/logs/draw_hazard_ratios.log",
    params:
        step="analysis.figures.hazard_ratios:draw_hazard_ratios",
        rerun_when_code_changes=code_of(
            "analysis.figures.hazard_ratios:draw_hazard_ratios"
        ),
        plan=STUDY.plan,
    message:
        "Drawing the hazard ratios"
    script:
        "../../shared/step.py"


rule draw_specifications:
    input:
        estimates=rules.collect_estimates.output.estimates,
    output:
        svg=report(
            f"{FIGURES}/specifications.svg",
            caption=f"{CAPTIONS}/specifications.rst",
            category="Results",
        ),
        png=f"{FIGURES}/specifications.png",
        data=f"{FIGURES}/specifications.csv",
    log:
        f"{RESULTS}/logs/draw_specifications.log",
    params:
        step="analysis.figures.specifications:draw_specifications",
        rerun_when_code_changes=code_of(
            "analysis.figures.specifications:draw_specifications"
        ),
        plan=STUDY.plan,
    message:
        "Drawing the primary models under other choices"
    script:
        "../../shared/step.py"


rule draw_planted:
    input:
        estimates=rules.collect_estimates.output.estimates,
    output:
        svg=report(
            f"{FIGURES}/planted.svg",
            caption=f"{CAPTIONS}/planted.rst",
            category="Demo",
        ),
        png=f"{FIGURES}/planted.png",
        data=f"{FIGURES}/planted.csv",
        numbers=f"{NUMBERS}/planted.parquet",
    log:
        f"{RESULTS}/logs/draw_planted.log",
    params:
        step="analysis.figures.planted:draw_planted",
        rerun_when_code_changes=code_of("analysis.figures.planted:draw_planted"),
        plan=STUDY.plan,
    message:
        "Drawing what was planted and what was found"
    script:
        "../../shared/step.py"


# In the order of the page, which numbers them so.
FIGURES_SHOWN = [
    "flow",
    "hazard_ratios",
    "incidence",
    "specifications",
    "calibration",
    "decision_curve",
    *(["planted"] if STUDY.truth else []),
    *(f"waveforms_{task}" for task in TASKS_SHOWN),
    "distributions",
    "limb_differences",
    "reliability",
    "agreement",
    "contact_lag",
    "force_model",
]
FIGURES_WITH_NUMBERS = [
    "flow",
    "limb_differences",
    "agreement",
    "contact_lag",
    "force_model",
    "incidence",
    "hazard_ratios",
    *(["planted"] if STUDY.truth else []),
]
