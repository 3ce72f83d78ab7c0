"""Which requirement needs what: the system changed in one place at a time, and who notices."""
