"""Example drivers: instruments that say one JSON object a line over TCP. Begin with ``lines.py``."""
