"""Inksteward: assisted control of the ink keys of a sheet-fed offset press."""

__version__ = "0.1.0"
