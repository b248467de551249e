"""Everything that the review page asks for."""
