"""What pages draw from: copper that lies on itself is copper once."""

from __future__ import annotations

import numpy as np
import shapely

from quietcopper.board import Board, Dielectric, Layer, Pads
from quietcopper.review.drawing import draw
from quietcopper.units import MM


def test_pads_on_each_other_are_drawn_as_one() -> None:
    """Two equal pads of a net on one spot and a third that overlaps them; one of another net; a disc on top. By hand:
    3 by 1 mm for the three."""
    square = shapely.box(0, 0, 2 * MM, 1 * MM)
    beside = shapely.box(1 * MM, 0, 3 * MM, 1 * MM)
    disc = shapely.Point(1 * MM, 0.5 * MM).buffer(0.4 * MM, quad_segs=32)
    shapes = np.array([square, square, beside, square, disc], dtype=object)
    count = len(shapes)
    board = Board(
        name="pads",
        source="",
        layers=(Layer("L1", 35e-6), Layer("L2", 35e-6)),
        dielectrics=(Dielectric(0.2 * MM, 4.3, 0.02),),
        nets=("", "A", "B"),
        outline=shapely.box(-5 * MM, -5 * MM, 5 * MM, 5 * MM),
        pads=Pads(
            net=[1, 1, 1, 2, 1], layer=[0] * count, x=[0.0] * count, y=[0.0] * count, shape=shapes,
            via=[-1] * count, pin=[-1] * count,
        ),
    )  # fmt: skip
    layer = draw(board).layers[0]
    areas = [round(shapely.Polygon(rings[0]).area, 2) for rings in layer.pads]
    drawn = list(zip(layer.pad_nets, areas, strict=True))
    assert sorted(drawn) == [(1, round(float(shapely.area(disc)) / MM**2, 2)), (1, 3.0), (2, 2.0)]
