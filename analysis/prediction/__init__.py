"""How well a model predicts in a group: no tables, no files, no settings.

Every number here is a property of a model in a group of athletes. No function returns a score,
a risk, a class or a rank of one athlete.
"""
