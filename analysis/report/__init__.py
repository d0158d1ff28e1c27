"""The study report: numbers by address, sections, one self-contained page, its check."""
