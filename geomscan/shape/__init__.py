"""Lines in millimetres to pieces: belt zero, grid, heads fused, shadows bounded, pieces apart."""
