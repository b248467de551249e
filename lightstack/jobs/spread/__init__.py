"""Work in pieces over several machines."""
