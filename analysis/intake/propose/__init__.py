"""Proposed maps for exports with other headings."""
