# Force estimated from waist acceleration, and its figure. Included before `estimates.smk`; the figure
# names the table of estimates by its path, because its rule follows.


rule force_from_waist:
    input:
        metrics=rules.collect.output.metrics_table,
        landings=rules.collect.output.landings_table,
        athletes=rules.check_study.output.athletes,
    output:
        estimates=f"{RESULTS}/models/force_from_waist.parquet",
        force_estimates=f"{RESULTS}/tables/force_estimates.parquet",
        force_held_out=f"{RESULTS}/tables/force_held_out.parquet",
    log:
        f"{RESULTS}/logs/force_from_waist.log",
    benchmark:
        f"{RESULTS}/benchmarks/force_from_waist.tsv"
    params:
        step="analysis.models.force_model:force_from_waist",
        rerun_when_code_changes=code_of("analysis.models.force_model:force_from_waist"),
        plan=STUDY.plan,
        study=STUDY.study,
    message:
        "Estimating force from waist acceleration"
    script:
        "../../shared/step.py"


rule draw_force_model:
    input:
        held_out=rules.force_from_waist.output.force_held_out,
        estimates=f"{RESULTS}/tables/estimates.parquet",
    output:
        svg=report(
            f"{RESULTS}/report/figures/force_model.svg",
            caption="../report/captions/force_model.rst",
            category="Measurements",
        ),
        png=f"{RESULTS}/report/figures/force_model.png",
        data=f"{RESULTS}/report/figures/force_model.csv",
        numbers=f"{RESULTS}/report/numbers/force_model.parquet",
    log:
        f"{RESULTS}/logs/draw_force_model.log",
    params:
        step="analysis.figures.force_model:draw_force_model",
        rerun_when_code_changes=code_of("analysis.figures.force_model:draw_force_model"),
    message:
        "Drawing estimated against measured force"
    script:
        "../../shared/step.py"
