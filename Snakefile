# The study at a glance: raw recordings -> checked index -> metrics -> cohort -> models -> report.
from snakemake.utils import min_version

from shared.workflow import code_of, digest_of_files, open_study, project_files

min_version("9.0")


configfile: f"{workflow.basedir}/config/workflow.yaml"


STUDY = open_study(config["settings"], config["blinded"])
RESULTS = STUDY.results


include: "pipeline/rules/intake.smk"
include: "pipeline/rules/extraction.smk"
include: "analysis/rules/cohort.smk"
include: "analysis/rules/imputation.smk"
include: "analysis/rules/models.smk"
include: "analysis/rules/sensitivity.smk"
include: "analysis/rules/native_rate.smk"
include: "analysis/rules/prediction.smk"
include: "analysis/rules/reliability.smk"
include: "analysis/rules/limb_checks.smk"
include: "analysis/rules/agreement.smk"
include: "analysis/rules/force_model.smk"
include: "analysis/rules/residuals.smk"
include: "analysis/rules/quality.smk"
include: "analysis/rules/audit.smk"
include: "analysis/rules/estimates.smk"
include: "analysis/rules/figures.smk"
include: "analysis/rules/report.smk"
include: "analysis/rules/audit_page.smk"
include: "analysis/rules/shareable.smk"


localrules:
    check,
    study,


rule check:
    input:
        rules.check_study.output,


rule study:
    default_target: True
    input:
        report=f"{RESULTS}/report/report.html",
        quality=f"{RESULTS}/report/quality.html",
        flagged=f"{RESULTS}/report/flagged.html",
        audit=f"{RESULTS}/report/audit.html",
        shareable=f"{RESULTS}/report/shareable",
        checklist=f"{RESULTS}/report/checklist.html",
        datapackage=f"{RESULTS}/tables/datapackage.json",
