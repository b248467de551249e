"""One file per job; the only room that knows both the arithmetic and the files."""
