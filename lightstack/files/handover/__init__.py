"""USD, OpenTimelineIO and tables of a hand-over."""
