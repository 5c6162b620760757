"""From volume to mass: density models, and the mass and budget of any part."""
