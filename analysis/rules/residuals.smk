# The cut-offs that residual analysis suggests, beside those that were set: for the quality page.


rule residual_cutoffs:
    input:
        residuals=rules.residual_curves.output.residuals,
    output:
        estimates=f"{RESULTS}/models/residual_cutoffs.parquet",
    log:
        f"{RESULTS}/logs/residual_cutoffs.log",
    benchmark:
        f"{RESULTS}/benchmarks/residual_cutoffs.tsv"
    params:
        step="analysis.models.residual_cutoffs:residual_cutoffs",
        rerun_when_code_changes=code_of(
            "analysis.models.residual_cutoffs:residual_cutoffs"
        ),
    message:
        "Comparing the cut-offs with those that residuals suggest"
    script:
        "../../shared/step.py"


rule draw_residual_analysis:
    input:
        residuals=rules.residual_curves.output.residuals,
    output:
        svg=report(
            f"{RESULTS}/report/figures/residual_analysis.svg",
            caption="../report/captions/residual_analysis.rst",
            category="Data quality",
        ),
        png=f"{RESULTS}/report/figures/residual_analysis.png",
        data=f"{RESULTS}/report/figures/residual_analysis.csv",
    log:
        f"{RESULTS}/logs/draw_residual_analysis.log",
    params:
        step="analysis.figures.residual_analysis:draw_residual_analysis",
        rerun_when_code_changes=code_of(
            "analysis.figures.residual_analysis:draw_residual_analysis"
        ),
        study=STUDY.study,
    message:
        "Drawing the residual analysis"
    script:
        "../../shared/step.py"
