"""Competing-risk estimators on plain arrays."""
