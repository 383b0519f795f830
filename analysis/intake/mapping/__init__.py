"""Mapping."""
