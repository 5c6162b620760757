"""The results folder, written and read."""
