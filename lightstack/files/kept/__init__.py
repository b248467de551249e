"""What a build keeps between its runs."""
