"""The local review page: a server on this machine alone, which asks jobs for everything."""
