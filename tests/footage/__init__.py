"""Makes the demo footage: a path-traced attic workshop, its takes and the truth that goes with them."""
