"""The result document: what a review found, and nothing about how the board is stored."""

from quietcopper.findings.model import (
    Allowance,
    AssumptionNote,
    Cause,
    CauseHint,
    Coverage,
    Drawing,
    DrawnLayer,
    Finding,
    Limit,
    NotChecked,
    Place,
    Proposal,
    Remedy,
    Result,
    excess_db,
    grade,
)

__all__ = [
    "Allowance",
    "AssumptionNote",
    "Cause",
    "CauseHint",
    "Coverage",
    "Drawing",
    "DrawnLayer",
    "Finding",
    "Limit",
    "NotChecked",
    "Place",
    "Proposal",
    "Remedy",
    "Result",
    "excess_db",
    "grade",
]
