"""Measurement files: CGATS.17 text, colour exchange format and comma-separated tables, read into plain rows."""
