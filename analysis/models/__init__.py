"""Steps that turn the cohort and the metrics into rows of `estimates`."""
