"""Maps: which heading of an export is which field of the log."""
