"""Text and pictures for people, returned as bytes."""
