"""Code values and light: curves, primaries, planes, encodings."""
