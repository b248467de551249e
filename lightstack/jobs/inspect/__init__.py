"""Footage inspected before and while anything is built."""
