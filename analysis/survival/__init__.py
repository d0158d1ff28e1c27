"""Survival estimators on plain arrays: no tables, no files, no settings."""
