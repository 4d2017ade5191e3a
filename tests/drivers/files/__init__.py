"""Measurement files."""
