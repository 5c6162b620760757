"""Every page and figure."""
