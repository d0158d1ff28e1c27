"""Recordings to Parquet: intake, readers, calibration, filtering, events, metrics, quality."""
