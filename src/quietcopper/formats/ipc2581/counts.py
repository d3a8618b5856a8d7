"""Counts of what was not taken over: shared by all readers, see `formats.counts`."""

from quietcopper.formats.counts import MAX_KINDS, OTHERS_OWN, PASSED_WHY, Counts

__all__ = ["MAX_KINDS", "OTHERS_OWN", "PASSED_WHY", "Counts"]
