"""Convert."""
