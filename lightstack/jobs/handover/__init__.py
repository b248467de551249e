"""A finished build as a folder for others."""
