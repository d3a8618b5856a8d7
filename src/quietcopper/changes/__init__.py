"""Edits to a board; each yields a new Board. `kinds.EDITS` lists them, `plan` reads them from a file."""

from quietcopper.changes.base import Changed, ChangeError, Rules
from quietcopper.changes.kinds import after, apply_change, apply_changes, is_change
from quietcopper.changes.plan import read_plan

__all__ = ["ChangeError", "Changed", "Rules", "after", "apply_change", "apply_changes", "is_change", "read_plan"]
