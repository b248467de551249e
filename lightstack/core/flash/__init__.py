"""Flash and red-flash checks."""
