# The report: tables, the page with its ledger, and the description of all tables.
from analysis.tables.write import TABLES as REPORT_TABLES


rule write_tables:
    input:
        estimates=rules.collect_estimates.output.estimates,
    output:
        tables=report(
            expand(f"{RESULTS}/report/tables/{{table}}.csv", table=REPORT_TABLES),
            caption="../report/captions/tables.rst",
            category="Tables",
        ),
        fragments=expand(f"{NUMBERS}/{{table}}.html", table=REPORT_TABLES),
        numbers=f"{NUMBERS}/tables.parquet",
    log:
        f"{RESULTS}/logs/write_tables.log",
    params:
        step="analysis.tables.write:write_tables",
        rerun_when_code_changes=code_of("analysis.tables.write:write_tables"),
        study=STUDY.study,
        processing=STUDY.processing,
        plan=STUDY.plan,
    message:
        "Writing the tables"
    script:
        "../../shared/step.py"


rule build_report:
    input:
        estimates=rules.collect_estimates.output.estimates,
        figures=expand(f"{FIGURES}/{{name}}.svg", name=FIGURES_SHOWN),
        captions=project_files("analysis/report/captions/*.rst"),
        fragments=rules.write_tables.output.fragments,
        numbers=[
            *expand(f"{NUMBERS}/{{name}}.parquet", name=FIGURES_WITH_NUMBERS),
            rules.write_tables.output.numbers,
        ],
    output:
        report=report(
            f"{RESULTS}/report/report.html",
            caption="../report/captions/report.rst",
            category="Report",
        ),
        ledger=f"{RESULTS}/tables/ledger.parquet",
    log:
        f"{RESULTS}/logs/build_report.log",
    params:
        step="analysis.report.build:build_report",
        rerun_when_code_changes=code_of("analysis.report.build:build_report"),
        study=STUDY.study,
        processing=STUDY.processing,
        plan=STUDY.plan,
        freeze=STUDY.freeze,
    message:
        "Building the report and checking every number on it"
    script:
        "../../shared/step.py"


rule describe_tables:
    input:
        tables=[
            *rules.collect.output,
            rules.calibrate_units.output.unit_calibrations,
            rules.residual_curves.output.residuals,
            rules.build_cohort.output.cohort,
            rules.impute_cohort.output.filled,
            rules.collect_estimates.output.estimates,
            rules.build_report.output.ledger,
        ],
    output:
        datapackage=f"{RESULTS}/tables/datapackage.json",
    log:
        f"{RESULTS}/logs/describe_tables.log",
    params:
        step="analysis.report.datapackage:write_datapackage",
        rerun_when_code_changes=code_of("analysis.report.datapackage:write_datapackage"),
        title=STUDY.study["title"],
    message:
        "Describing the tables"
    script:
        "../../shared/step.py"
