"""lightstack: from a lamp carried round a room to a relight plate, a light stack and a mix."""

__version__ = "1.0.0"
