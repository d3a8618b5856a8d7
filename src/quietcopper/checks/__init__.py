"""One module a check."""
