# From raw samples to landing metrics, one job per shard of athletes, then one table of each kind.
from shared.layout import SHARD_TABLES


rule calibrate_units:
    input:
        # As below: the rows and the raw files decide, not the rerun of the study-wide check.
        unit_calibration_index=ancient(rules.check_study.output.unit_calibration_index),
        raw=sorted(set(STUDY.bench.raw)),
    output:
        unit_calibrations=f"{RESULTS}/tables/unit_calibrations.parquet",
    log:
        f"{RESULTS}/logs/calibrate_units.log",
    benchmark:
        f"{RESULTS}/benchmarks/calibrate_units.tsv"
    params:
        step="pipeline.extraction.bench:calibrate_units",
        rerun_when_code_changes=code_of("pipeline.extraction.bench:calibrate_units"),
        processing=STUDY.processing,
        devices=STUDY.devices,
        study_folder=STUDY.study_folder,
        rerun_when_rows_change=STUDY.bench.digest,
    message:
        "Calibrating units from their bench recordings"
    script:
        "../../shared/step.py"


rule extract_shard:
    input:
        # The study-wide check must come first, but its rerun alone changes no shard: what a shard
        # reads of it is in the digest below and in the raw files.
        recordings_index=ancient(rules.check_study.output.recordings_index),
        calibration_index=ancient(rules.check_study.output.calibration_index),
        athletes=ancient(rules.check_study.output.athletes),
        unit_calibrations=rules.calibrate_units.output.unit_calibrations,
        raw=lambda wildcards: STUDY.raw_of(wildcards.shard),
    output:
        **{
            table: f"{RESULTS}/extraction/{{shard}}/{table}.parquet"
            for table in SHARD_TABLES
        },
    log:
        f"{RESULTS}/logs/extract_{{shard}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/extract_{{shard}}.tsv"
    params:
        step="pipeline.extraction.shard:extract_shard",
        rerun_when_code_changes=code_of("pipeline.extraction.shard:extract_shard"),
        shard=lambda wildcards: STUDY.shards.index(wildcards.shard),
        shards=len(STUDY.shards),
        study=STUDY.study,
        processing=STUDY.processing,
        devices=STUDY.devices,
        study_folder=STUDY.study_folder,
        rerun_when_rows_change=lambda wildcards: STUDY.digest_of(wildcards.shard),
    message:
        "Reading recordings, finding landings, measuring: {wildcards.shard}"
    script:
        "../../shared/step.py"


rule collect:
    input:
        **{
            table: expand(
                f"{RESULTS}/extraction/{{shard}}/{table}.parquet", shard=STUDY.shards
            )
            for table in SHARD_TABLES
        },
        rejections=[path for path in STUDY.tables() if "rejections." in path],
        withdrawals=[path for path in STUDY.tables() if "withdrawals." in path],
    output:
        **{
            f"{table}_table": f"{RESULTS}/tables/{table}.parquet"
            for table in [*SHARD_TABLES, "summaries"]
        },
    log:
        f"{RESULTS}/logs/collect.log",
    benchmark:
        f"{RESULTS}/benchmarks/collect.tsv"
    params:
        step="pipeline.extraction.collect:collect",
        rerun_when_code_changes=code_of("pipeline.extraction.collect:collect"),
        quality=STUDY.processing["quality"],
        waveforms_kept=STUDY.processing["waveforms"],
    message:
        "Collecting the shards into one table of each kind"
    script:
        "../../shared/step.py"


rule residual_curves:
    input:
        # These tables change with the raw files, whose hashes the first one holds.
        recordings=rules.collect.output.recordings_table,
        landings=rules.collect.output.landings_table,
        synchronisation=rules.collect.output.synchronisation_table,
    output:
        residuals=f"{RESULTS}/tables/residuals.parquet",
    log:
        f"{RESULTS}/logs/residual_curves.log",
    benchmark:
        f"{RESULTS}/benchmarks/residual_curves.tsv"
    params:
        step="pipeline.extraction.residual_curves:residual_curves",
        rerun_when_code_changes=code_of(
            "pipeline.extraction.residual_curves:residual_curves"
        ),
        processing=STUDY.processing,
        devices=STUDY.devices,
        study_folder=STUDY.study_folder,
    message:
        "Analysing residuals of a few recordings of each device and task"
    script:
        "../../shared/step.py"
