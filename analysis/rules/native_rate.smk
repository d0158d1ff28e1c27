# Sensitivity: the same metrics from signals as recorded, and the primary models with them.
NATIVE_RATE = f"{RESULTS}/native_rate"


use rule extract_shard as extract_native_rate with:
    output:
        **{
            table: temp(f"{NATIVE_RATE}/{{shard}}/{table}.parquet")
            for table in SHARD_TABLES
        },
    log:
        f"{RESULTS}/logs/extract_native_rate_{{shard}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/extract_native_rate_{{shard}}.tsv"
    params:
        step="pipeline.extraction.shard:extract_shard",
        rerun_when_code_changes=code_of("pipeline.extraction.shard:extract_shard"),
        shard=lambda wildcards: STUDY.shards.index(wildcards.shard),
        shards=len(STUDY.shards),
        study=STUDY.study,
        processing=STUDY.processing_at_native_rate,
        devices=STUDY.devices,
        study_folder=STUDY.study_folder,
        rerun_when_rows_change=lambda wildcards: STUDY.digest_of(wildcards.shard),
    message:
        "Measuring at the native rate: {wildcards.shard}"


use rule collect as collect_native_rate with:
    input:
        **{
            table: expand(
                f"{NATIVE_RATE}/{{shard}}/{table}.parquet", shard=STUDY.shards
            )
            for table in SHARD_TABLES
        },
        rejections=[path for path in STUDY.tables() if "rejections." in path],
        withdrawals=[path for path in STUDY.tables() if "withdrawals." in path],
    output:
        **{
            f"{table}_table": f"{NATIVE_RATE}/tables/{table}.parquet"
            for table in [*SHARD_TABLES, "summaries"]
        },
    log:
        f"{RESULTS}/logs/collect_native_rate.log",
    benchmark:
        f"{RESULTS}/benchmarks/collect_native_rate.tsv"
    message:
        "Collecting the values at the native rate"


rule native_rate:
    input:
        cohort=rules.build_cohort.output.cohort,
        native_summaries=rules.collect_native_rate.output.summaries_table,
    output:
        estimates=f"{RESULTS}/models/native_rate.parquet",
    log:
        f"{RESULTS}/logs/native_rate.log",
    benchmark:
        f"{RESULTS}/benchmarks/native_rate.tsv"
    params:
        step="analysis.models.native_rate:native_rate",
        rerun_when_code_changes=code_of("analysis.models.native_rate:native_rate"),
        plan=STUDY.plan,
        study=STUDY.study,
        freeze=STUDY.freeze,
        minimum_valid_trials=STUDY.processing["minimum_valid_trials"],
    message:
        "Comparing with the native sampling rate"
    script:
        "../../shared/step.py"
