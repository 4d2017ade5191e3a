"""Commissioning of a unit's ink keys: guided, resumable, every move proposed by the service and decided by a person."""
