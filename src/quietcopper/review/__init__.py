"""Runs the checks, ranks, groups by cause, compares revisions."""

from quietcopper.review.runner import review, review_view

__all__ = ["review", "review_view"]
