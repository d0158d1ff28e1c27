"""What the results would be under another choice: error of measurement, form of an effect."""
