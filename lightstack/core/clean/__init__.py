"""Clean plates: what rests longest, and robust averages."""
