# Prediction, if the plan asks for it: the model with landing metrics beside the one without.


rule prediction:
    input:
        cohort=rules.build_cohort.output.cohort,
    output:
        estimates=f"{RESULTS}/models/prediction.parquet",
    log:
        f"{RESULTS}/logs/prediction.log",
    benchmark:
        f"{RESULTS}/benchmarks/prediction.tsv"
    params:
        step="analysis.models.prediction:prediction",
        rerun_when_code_changes=code_of("analysis.models.prediction:prediction"),
        plan=STUDY.plan,
        freeze=STUDY.freeze,
    message:
        "Judging the prediction that the plan asks for"
    script:
        "../../shared/step.py"


rule draw_calibration:
    input:
        estimates=f"{RESULTS}/tables/estimates.parquet",
    output:
        svg=report(
            f"{RESULTS}/report/figures/calibration.svg",
            caption="../report/captions/calibration.rst",
            category="Results",
        ),
        png=f"{RESULTS}/report/figures/calibration.png",
        data=f"{RESULTS}/report/figures/calibration.csv",
    log:
        f"{RESULTS}/logs/draw_calibration.log",
    params:
        step="analysis.figures.calibration:draw_calibration",
        rerun_when_code_changes=code_of("analysis.figures.calibration:draw_calibration"),
        plan=STUDY.plan,
    message:
        "Drawing the calibration of the prediction"
    script:
        "../../shared/step.py"


rule draw_decision_curve:
    input:
        estimates=f"{RESULTS}/tables/estimates.parquet",
    output:
        svg=report(
            f"{RESULTS}/report/figures/decision_curve.svg",
            caption="../report/captions/decision_curve.rst",
            category="Results",
        ),
        png=f"{RESULTS}/report/figures/decision_curve.png",
        data=f"{RESULTS}/report/figures/decision_curve.csv",
    log:
        f"{RESULTS}/logs/draw_decision_curve.log",
    params:
        step="analysis.figures.decision_curve:draw_decision_curve",
        rerun_when_code_changes=code_of(
            "analysis.figures.decision_curve:draw_decision_curve"
        ),
        plan=STUDY.plan,
    message:
        "Drawing the net benefit of the prediction"
    script:
        "../../shared/step.py"
