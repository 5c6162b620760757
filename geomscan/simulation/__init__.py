"""Known solids on a moving belt become recordings with known truth; its own forward model."""
