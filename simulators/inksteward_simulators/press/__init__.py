"""Physics of a sheet-fed offset press: keys, blade, roller train, ink on paper. No clock, no input or output."""
