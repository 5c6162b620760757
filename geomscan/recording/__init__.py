"""What the machine saw: manifest, payloads, encoder lines, and the reference-block file."""
