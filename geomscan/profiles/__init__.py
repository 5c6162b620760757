"""From a piece to its slices, upright and slanted, and to the planner's document."""
