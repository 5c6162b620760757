"""Studies over results: density, and why weights are off."""
