"""Where the lamp was, and light that moves from there."""
