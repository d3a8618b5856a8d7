"""The model of a board: columnar tables and shapely shapes, immutable, SI units."""

from quietcopper.board.model import (
    Areas,
    Assumption,
    Board,
    Dielectric,
    Layer,
    Mask,
    Pads,
    Parts,
    Pins,
    Traces,
    Unread,
    Vias,
)

__all__ = [
    "Areas",
    "Assumption",
    "Board",
    "Dielectric",
    "Layer",
    "Mask",
    "Pads",
    "Parts",
    "Pins",
    "Traces",
    "Unread",
    "Vias",
]
