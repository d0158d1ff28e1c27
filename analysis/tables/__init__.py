"""Tables for a manuscript: every number by its address in the ledger, as CSV and as HTML."""
