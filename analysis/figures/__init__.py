"""Figures: each reads estimates or tables, draws, and writes SVG, PNG and its data as CSV."""
