"""Wiring up a device: what goes over its line, what its driver makes of it, without the service."""
