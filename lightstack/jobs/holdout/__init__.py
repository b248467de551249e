"""The hold-out of a shot, the bare set, light on the figure."""
