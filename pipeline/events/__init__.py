"""Events of landing tasks: contact, take-off, movement onset, lowest centre of mass."""
