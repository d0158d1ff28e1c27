# The audit page: what stands behind each number that the pages show.
from analysis.audit.audit_page import FRAGMENTS as FRAGMENTS_OF_AUDIT


rule build_audit_page:
    input:
        estimates=rules.collect_estimates.output.estimates,
        parts=rules.collect_estimates.input.parts,
        ledger=rules.build_report.output.ledger,
        metrics=rules.collect.output.metrics_table,
        exclusions=rules.build_cohort.output.exclusions,
        report=rules.build_report.output.report,
        quality=rules.build_quality_page.output.page,
        fragments=expand(f"{NUMBERS}/{{table}}.html", table=FRAGMENTS_OF_AUDIT),
    output:
        page=report(
            f"{RESULTS}/report/audit.html",
            caption="../report/captions/audit.rst",
            category="Audit",
        ),
    log:
        f"{RESULTS}/logs/build_audit_page.log",
    benchmark:
        f"{RESULTS}/benchmarks/build_audit_page.tsv"
    params:
        step="analysis.audit.audit_page:build_audit_page",
        rerun_when_code_changes=code_of("analysis.audit.audit_page:build_audit_page"),
        study=STUDY.study,
        plan=STUDY.plan,
    message:
        "Building the audit page"
    script:
        "../../shared/step.py"
