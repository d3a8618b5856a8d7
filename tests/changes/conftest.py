"""What every test of an edit needs: rules, a board to edit, and what must hold of any edited board."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from quietcopper.build import Hop, chip, rectangle, small_board
from quietcopper.changes import Rules
from quietcopper.electrical.copper import connect

SPACING = 0.15e-3


@pytest.fixture
def rules():
    return Rules(spacing=SPACING, width=0.1e-3, barrier=3e-3)


def split_supply():
    """Ground on layers 1 to 3 of 60 by 40 mm but for two supplies on layer 3, 0.5 mm apart; a line on layer 4 crosses
    them. Each supply has a part that it feeds, the ground has vias with openings in the supplies."""
    b = small_board(size_mm=(60, 40), ground=(2,))
    for net in ("3V3", "5V"):
        b.net(net, kind="power")
    b.part("R1", chip("0402"), (6, 22), nets=("GND", "CLK"), side="bottom", turn_deg=180)
    b.part("R2", chip("0402"), (54, 22), nets=("CLK", "GND"), side="bottom", turn_deg=180)
    for pin, by in (("R1.1", -0.9), ("R2.2", 0.9)):
        b.drop(pin, (by, 0))
    b.route("CLK", "R1.2", "R2.1", layer=4)
    for net, x in (("3V3", 15), ("5V", 45)):
        b.part(f"C{x}", chip("0402"), (x, 32), nets=(net, "GND"), value="100n")
        b.drop(f"C{x}.1", (-0.9, 0))
        b.drop(f"C{x}.2", (0.9, 0))
    b.route("DATA", (20, 10), (25, 10), Hop(4), (40, 10), layer=1)
    b.pour("3V3", 3, rectangle(0.5, 0.5, 29.75, 39.5))
    b.pour("5V", 3, rectangle(30.25, 0.5, 59.5, 39.5))
    return b


@pytest.fixture
def split_builder():
    return split_supply()


@pytest.fixture
def split_board(split_builder):
    return split_builder.build()


def gaps_between_nets(board):
    """Least distance (m) between copper of different nets on each layer, holes included; inf where there is one net."""
    out = []
    for layer in range(len(board.layers)):
        shapes, nets = [], []
        for table, geometry in ((board.traces, board.traces.shapes), (board.pads, board.pads.shape)):
            shapes += geometry[table.layer == layer].tolist()
            nets += table.net[table.layer == layer].tolist()
        shapes += board.areas.shape[board.areas.layer == layer].tolist()
        nets += board.areas.net[board.areas.layer == layer].tolist()
        drilled = (board.vias.first <= layer) & (board.vias.last >= layer)
        points = shapely.points(board.vias.x[drilled], board.vias.y[drilled])
        shapes += shapely.buffer(points, board.vias.drill[drilled] / 2).tolist()
        nets += board.vias.net[drilled].tolist()
        geometry, net = np.array(shapes, dtype=object), np.array(nets)
        i, j = shapely.STRtree(geometry).query(geometry, predicate="dwithin", distance=2e-3)
        apart = (net[i] != net[j]) & (i < j)
        out.append(float(shapely.distance(geometry[i[apart]], geometry[j[apart]]).min(initial=np.inf)))
    return out


@pytest.fixture
def sound():
    """sound(before, after, spacing): no net touches another, nothing comes closer than the spacing (or than it was),
    every shape is valid, and the tables' references hold; the connected copper of the board after."""

    def sound(before, after, spacing=SPACING):
        copper = connect(after)
        assert not [p for p in copper.problems if "touch" in p or "joined" in p], copper.problems
        assert shapely.is_valid(after.areas.shape).all()
        for was, now in zip(gaps_between_nets(before), gaps_between_nets(after), strict=True):
            assert now >= min(was, spacing) - 2e-6
        padded = after.pads.via >= 0
        assert (after.vias.net[after.pads.via[padded]] == after.pads.net[padded]).all()
        pinned = after.pads.pin >= 0
        assert (after.pins.net[after.pads.pin[pinned]] == after.pads.net[pinned]).all()
        return copper

    return sound
