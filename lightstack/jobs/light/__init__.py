"""Every light of a shot: a plate, a still, weighed stills, or one that travels."""
