"""The demo cohort: an invented follow-up, generated from parameters by a physical model.

The truth goes to a folder of its own, which the pipeline never reads.
"""
