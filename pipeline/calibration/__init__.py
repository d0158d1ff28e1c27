"""Calibration from quiet standing, and checks of what a sensor can no longer tell."""
