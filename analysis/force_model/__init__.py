"""Peak vertical ground reaction force estimated from waist acceleration: models and their error.

Nothing in this package reads files or knows settings: it takes tables or arrays and returns frozen
results.
"""
