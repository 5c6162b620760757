"""From millimetres to pieces: belt zero, grid, fused heads, shadows, thickness maps."""
