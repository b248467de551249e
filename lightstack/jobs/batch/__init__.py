"""Many shots built one after the other, or several at a time."""
