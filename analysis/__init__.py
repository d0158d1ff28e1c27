"""Parquet to inference, figures, tables and the study report."""
