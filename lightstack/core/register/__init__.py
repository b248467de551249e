"""How far a frame moved, and how to put it back."""
