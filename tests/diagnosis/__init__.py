"""Diagnosis of faults that keys cannot cure."""
