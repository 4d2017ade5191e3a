"""Tests of the search for settings."""
