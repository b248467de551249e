"""One frame of the shot made, and where frames go."""
