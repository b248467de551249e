"""From a carried lamp to a plate: survey, blockers, choice, separation, accumulation."""
