"""A small language to build boards in Python: for the demo, the tests and the benchmarks.

Say once in which unit the board is drawn; every length given to the builder is in that unit, packages and stackups
name their units themselves, and the Board that comes out is in metres.

>>> from quietcopper.build import chip, small_board
>>> b = small_board(layers=4, ground=(2,))
>>> b.part("C1", chip("0402"), (10, 10), nets=("3V3", "GND"), value="100 nF")
>>> b.via("GND", (11.2, 10)); b.route("GND", "C1.2", (11.2, 10))
>>> board = b.build()
>>> board.areas.layer.tolist(), board.pin_label(0)
([1], 'C1.1')
"""

from quietcopper.build.builder import BoardBuilder, Hop
from quietcopper.build.drawing import circle, octilinear, rectangle, strip
from quietcopper.build.packages import (
    Land,
    Package,
    castellated,
    chip,
    crystal,
    edge_coax,
    header,
    led,
    qfn,
    qfp,
    soic,
    sot23,
    tactile_switch,
    two_pads,
)
from quietcopper.build.small import small_board
from quietcopper.build.stack import Stack, copper, laminate, mask, stack

__all__ = [
    "BoardBuilder",
    "Hop",
    "Land",
    "Package",
    "Stack",
    "castellated",
    "chip",
    "circle",
    "copper",
    "crystal",
    "edge_coax",
    "header",
    "laminate",
    "led",
    "mask",
    "octilinear",
    "qfn",
    "qfp",
    "rectangle",
    "small_board",
    "soic",
    "sot23",
    "stack",
    "strip",
    "tactile_switch",
    "two_pads",
]
