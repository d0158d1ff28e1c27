# The quality page: what each sensor, session and metric delivered, for the team only.
from analysis.report.quality_page import TABLES as QUALITY_TABLES


rule sensor_quality:
    input:
        metrics=rules.collect.output.metrics_table,
        calibrations=rules.collect.output.calibrations_table,
        unit_calibrations=rules.calibrate_units.output.unit_calibrations,
        synchronisation=rules.collect.output.synchronisation_table,
        recordings=rules.collect.output.recordings_table,
        summaries=rules.collect.output.summaries_table,
    output:
        estimates=f"{RESULTS}/models/sensor_quality.parquet",
    log:
        f"{RESULTS}/logs/sensor_quality.log",
    benchmark:
        f"{RESULTS}/benchmarks/sensor_quality.tsv"
    params:
        step="analysis.models.sensor_quality:sensor_quality",
        rerun_when_code_changes=code_of("analysis.models.sensor_quality:sensor_quality"),
        quality=STUDY.processing["quality"],
        plan=STUDY.plan,
        study=STUDY.study,
        minimum_valid_trials=STUDY.processing["minimum_valid_trials"],
    message:
        "Counting what each metric and calibration delivered"
    script:
        "../../shared/step.py"


rule build_quality_page:
    input:
        fragments=expand(
            f"{RESULTS}/report/numbers/{{table}}.html", table=QUALITY_TABLES
        ),
        numbers=f"{RESULTS}/report/numbers/tables.parquet",
        estimates=f"{RESULTS}/tables/estimates.parquet",
        figures=[rules.draw_residual_analysis.output.svg],
        captions=project_files("analysis/report/captions/residual_analysis.rst"),
    output:
        page=report(
            f"{RESULTS}/report/quality.html",
            caption="../report/captions/quality.rst",
            category="Data quality",
        ),
    log:
        f"{RESULTS}/logs/build_quality_page.log",
    params:
        step="analysis.report.quality_page:build_quality_page",
        rerun_when_code_changes=code_of(
            "analysis.report.quality_page:build_quality_page"
        ),
        study=STUDY.study,
        processing=STUDY.processing,
        plan=STUDY.plan,
    message:
        "Building the quality page and checking every number on it"
    script:
        "../../shared/step.py"


rule build_flagged_page:
    input:
        waveforms=rules.collect.output.flagged_waveforms_table,
        landings=rules.collect.output.landings_table,
        exclusions=rules.collect.output.exclusions_table,
    output:
        page=report(
            f"{RESULTS}/report/flagged.html",
            caption="../report/captions/flagged.rst",
            category="Data quality",
        ),
    log:
        f"{RESULTS}/logs/build_flagged_page.log",
    benchmark:
        f"{RESULTS}/benchmarks/build_flagged_page.tsv"
    params:
        step="analysis.report.flagged_page:build_flagged_page",
        rerun_when_code_changes=code_of(
            "analysis.report.flagged_page:build_flagged_page"
        ),
        study=STUDY.study,
        quality=STUDY.processing["quality"],
        waveforms_kept=STUDY.processing["waveforms"],
    message:
        "Drawing sheets of flagged trials"
    script:
        "../../shared/step.py"
