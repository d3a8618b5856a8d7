"""Edits to a board; each yields a new Board."""
