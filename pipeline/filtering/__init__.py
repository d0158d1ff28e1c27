"""Filtering, differentiation, integration, time base and resampling of sampled signals."""
