"""Landing metrics: each is a value with the samples that it was computed from, or a refusal."""
