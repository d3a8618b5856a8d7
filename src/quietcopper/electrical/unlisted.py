"""Whether the parts of a board are missing from its data: what no check may take for their absence on the board."""

from __future__ import annotations

import numpy as np

from quietcopper.electrical.tables import GROUND, SUPPLY
from quietcopper.electrical.view import View

WHY = "the files list no parts, so that the capacitors between the two nets are not known"


def parts_unlisted(view: View) -> bool:
    """Whether pads show that parts sit on the board which the files do not list: two pads or more without a hole, and
    not one pin."""
    board = view.board
    return not len(board.pins) and int(np.count_nonzero(board.pads.via < 0)) >= 2


def joint_unknown(view: View, a: int, b: int) -> bool:
    """Whether nobody can say what joins two areas (rows): copper of two nets, on a board whose parts are not listed."""
    net = view.board.areas.net
    return bool(net[a] != net[b]) and parts_unlisted(view)


def are_rails(view: View, nets: list[int]) -> bool:
    """Whether all of these nets are grounds or supplies, which capacitors may join."""
    return all(view.roles[net].kind in (GROUND, SUPPLY) for net in nets)
