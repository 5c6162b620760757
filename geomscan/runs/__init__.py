"""The chain as a whole: measure one recording or many, demo, benchmark."""
