"""Read raw recordings of any instrument by its device profile; start at `read.py`."""
