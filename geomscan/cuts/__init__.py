"""A preview of the cuts, and a check after them."""
