"""Footage read: movies, stills, sound, masks, colour."""
