"""Step: join the shards into one table of each kind, settle what only the whole study can tell."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from pipeline.extraction.exclusions import exclusions_of_values
from pipeline.extraction.flagged import draw_flagged, reasons_of_trials
from pipeline.extraction.verdicts import (
    Verdict,
    apply_to_landings,
    apply_to_metrics,
    apply_to_recordings,
    duplicates,
    exclusions_of_verdicts,
    read_rejections,
    rejections_to_verdicts,
)
from pipeline.extraction.waveforms import draw
from pipeline.metrics.summaries import summarise
from pipeline.quality.possible import require_possible
from shared.provenance import code_version, hash_of_settings, sha256_of_bytes
from shared.schemas import schema_of
from shared.sources import ROOT, sources_of
from shared.tables import concatenate, write_table
from shared.withdrawals import withdrawn_in

STEP = "pipeline.extraction.collect:collect"


def _joined(paths: Sequence[Path], name: str) -> pd.DataFrame:
    return concatenate(paths, name, schema_of(name).key)


def _inputs(recordings: pd.DataFrame, quality: Mapping[str, Any]) -> dict[str, str]:
    hashes = "\n".join(recordings["recording_id"] + " " + recordings["sha256"])
    return {
        "raw_recordings": sha256_of_bytes(hashes.encode()),
        "processing.quality": hash_of_settings(quality),
    }


def collect(
    *,
    recordings: list[Path],
    calibrations: list[Path],
    synchronisation: list[Path],
    landings: list[Path],
    metrics: list[Path],
    metric_sources: list[Path],
    exclusions: list[Path],
    waveforms: list[Path],
    flagged_waveforms: list[Path],
    recordings_table: Path,
    calibrations_table: Path,
    synchronisation_table: Path,
    landings_table: Path,
    metrics_table: Path,
    metric_sources_table: Path,
    exclusions_table: Path,
    waveforms_table: Path,
    flagged_waveforms_table: Path,
    summaries_table: Path,
    rejections: list[Path],
    withdrawals: list[Path],
    quality: dict[str, Any],
    waveforms_kept: dict[str, Any],
) -> None:
    """Join the tables of all shards; mark duplicates and manual rejections; summarise.

    A file that stands under two recordings is found here, because the two may belong to different
    athletes and so to different shards. Rows are never removed: they are flagged, and `exclusions`
    says why.

    Parameters
    ----------
    rejections
        The optional study table of manual rejections: one path, or none.
    withdrawals
        The optional study table of withdrawals; rejections of those athletes say nothing more.
    waveforms_kept
        How many examples and flagged trials (section `waveforms` of processing.yaml).

    Raises
    ------
    StudyError
        The table of rejections cannot be used (a missing column, an unknown recording).
    """
    recording_rows = _joined(recordings, "recordings")
    rejected = read_rejections(rejections, withdrawn_in(withdrawals))
    source_rows = _joined(metric_sources, "metric_sources")
    verdicts: list[Verdict] = [
        *duplicates(recording_rows),
        *rejections_to_verdicts(rejected, recording_rows),
    ]
    excluding = list(quality["excluding_flags"])
    recording_rows = apply_to_recordings(recording_rows, verdicts)
    landing_rows, metric_rows = _joined(landings, "landings"), _joined(metrics, "metrics")
    require_possible(metric_rows)
    # The shards have drawn by their own flags: a verdict on top of them must not change the lot.
    reasons = reasons_of_trials(landing_rows, metric_rows, excluding)
    landing_rows = apply_to_landings(landing_rows, verdicts, excluding)
    metric_rows = apply_to_metrics(metric_rows, source_rows, verdicts, excluding)
    exclusion_rows = pd.concat(
        [
            _joined(exclusions, "exclusions"),
            exclusions_of_verdicts(verdicts, recording_rows),
            exclusions_of_values(landing_rows, metric_rows, excluding),
        ],
        ignore_index=True,
    ).sort_values(list(schema_of("exclusions").key), ignore_index=True)
    provenance: dict[str, Any] = {
        "inputs": _inputs(recording_rows, quality),
        "code_version": code_version(sources_of(STEP), ROOT),
    }
    tables = {
        "recordings": (recording_rows, recordings_table),
        "calibrations": (_joined(calibrations, "calibrations"), calibrations_table),
        "synchronisation": (_joined(synchronisation, "synchronisation"), synchronisation_table),
        "landings": (landing_rows, landings_table),
        "metrics": (metric_rows, metrics_table),
        "metric_sources": (source_rows, metric_sources_table),
        "exclusions": (exclusion_rows, exclusions_table),
        "waveforms": (
            draw(
                _joined(waveforms, "waveforms"),
                landing_rows,
                waveforms_kept["landings_per_site_and_task"],
            ),
            waveforms_table,
        ),
        "flagged_waveforms": (
            draw_flagged(
                _joined(flagged_waveforms, "flagged_waveforms"),
                reasons,
                waveforms_kept["flagged_per_site_and_reason"],
                waveforms_kept["flagged_most"],
                quality["undefined_flags"],
            ),
            flagged_waveforms_table,
        ),
        "summaries": (summarise(metric_rows), summaries_table),
    }
    for name, (rows, path) in tables.items():
        write_table(rows, path, name, **provenance)
