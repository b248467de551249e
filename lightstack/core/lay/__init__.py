"""Light laid over a picture."""
