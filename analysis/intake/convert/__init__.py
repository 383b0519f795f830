"""Convert the cells of an export into the fields, types and units of the log."""
