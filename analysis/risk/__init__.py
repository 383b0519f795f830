"""The risk of a re-bleed: what was known of technician and model before a bleed began."""

from analysis.risk.history import firm_reference_mm, known_history

__all__ = ["firm_reference_mm", "known_history"]
