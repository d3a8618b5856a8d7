"""Runs the checks, ranks, groups by cause, compares revisions."""
