"""Prop passes: pulled, written, laid again."""
