"""Definitions that pipeline/ and analysis/ both use; imports neither."""
