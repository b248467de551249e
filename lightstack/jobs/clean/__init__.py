"""Clean plates from takes."""
