"""Grain of a camera measured and laid."""
