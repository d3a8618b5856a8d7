"""Readers and writers of open exchange formats; each reader yields a Board."""
