"""Missing values: several completed data sets, and one answer from them."""
