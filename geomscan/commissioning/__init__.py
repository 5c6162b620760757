"""Calibrating a scanner on passes of the reference block, and verifying it on another."""
