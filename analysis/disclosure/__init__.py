"""What may leave the team: small counts, and whatever would give them away, are hidden."""
