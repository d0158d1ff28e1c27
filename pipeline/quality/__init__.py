"""Quality flags: how they are written, what they mean, which take a value out of the analysis."""
