"""Every light's mix over time."""
