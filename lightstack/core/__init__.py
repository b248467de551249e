"""Arrays and numbers in, arrays and numbers out: no paths, no clock, no logging, no global state."""
