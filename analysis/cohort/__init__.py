"""The landmark cohort: who is analysed from which day on, and why others are not."""
