"""Propose."""
