"""Thin commands: parse, call one job, print the result."""
