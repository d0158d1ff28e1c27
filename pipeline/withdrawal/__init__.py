"""Withdrawal of consent: take an athlete out of every derived file, and look whether it is so."""
