"""Movies and shots checked for flashes."""
