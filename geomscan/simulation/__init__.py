"""Known solids on a moving belt, turned into recordings whose truth is known; its own forward model."""
