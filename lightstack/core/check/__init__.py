"""Checks of footage, each a pure function that returns a finding."""
