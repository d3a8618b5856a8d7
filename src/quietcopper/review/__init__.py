"""Runs the checks, ranks, groups by cause, compares revisions."""

from quietcopper.review.runner import review

__all__ = ["review"]
