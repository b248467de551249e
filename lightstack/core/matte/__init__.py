"""The figure against the bare set: matte, doubt, light on it."""
