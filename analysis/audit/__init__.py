"""The audit: a second opinion from the raw files, the way back from a number, a bundle for R.

The only room of the analysis that opens raw recordings. It imports nothing of the pipeline: what is
derived here a second time shares with it the definitions (settings, metric dictionary) and no code.
"""
