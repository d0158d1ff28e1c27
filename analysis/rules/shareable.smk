# The edition of the report that may leave the team, from estimates whose small counts are hidden.


rule hide_small_counts:
    input:
        estimates=rules.collect_estimates.output.estimates,
    output:
        shareable=f"{RESULTS}/tables/shareable_estimates.parquet",
    log:
        f"{RESULTS}/logs/hide_small_counts.log",
    benchmark:
        f"{RESULTS}/benchmarks/hide_small_counts.tsv"
    params:
        step="analysis.disclosure.shareable:write_shareable_estimates",
        rerun_when_code_changes=code_of(
            "analysis.disclosure.shareable:write_shareable_estimates"
        ),
        study=STUDY.study,
        plan=STUDY.plan,
    message:
        "Hiding small counts, and what would give them away"
    script:
        "../../shared/step.py"


rule build_shareable:
    input:
        estimates=rules.hide_small_counts.output.shareable,
        captions=project_files("analysis/report/captions/*.rst"),
        guidelines=project_files("analysis/report/checklists.yaml"),
    output:
        folder=directory(f"{RESULTS}/report/shareable"),
    log:
        f"{RESULTS}/logs/build_shareable.log",
    benchmark:
        f"{RESULTS}/benchmarks/build_shareable.tsv"
    params:
        step="analysis.report.shareable:build_shareable",
        rerun_when_code_changes=code_of("analysis.report.shareable:build_shareable"),
        study=STUDY.study,
        processing=STUDY.processing,
        plan=STUDY.plan,
        freeze=STUDY.freeze,
    message:
        "Building the shareable edition of the report"
    script:
        "../../shared/step.py"


rule build_checklist:
    input:
        guidelines=project_files("analysis/report/checklists.yaml"),
    output:
        page=f"{RESULTS}/report/checklist.html",
    log:
        f"{RESULTS}/logs/build_checklist.log",
    params:
        step="analysis.report.checklist:build_checklist",
        rerun_when_code_changes=code_of("analysis.report.checklist:build_checklist"),
        report="report.html",
        study=STUDY.study,
    message:
        "Writing the reporting checklists"
    script:
        "../../shared/step.py"
