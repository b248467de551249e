"""Patches over the hero, and masks."""
