"""The shot file: its keys, read, checked and changed."""
