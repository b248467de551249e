"""Takes read in the shot's space, surveyed and looked at."""
