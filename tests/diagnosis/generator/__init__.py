"""Presses and faults as numbers, made without a look at the rules that have to find them."""
