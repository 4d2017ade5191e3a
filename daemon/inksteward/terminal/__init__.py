"""The operator at a terminal: the same facts in plain text, the same decisions, signed, over the broker."""
