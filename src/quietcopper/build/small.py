"""Small boards for tests and examples: everything ordinary, so that a test says only what it is about."""

from __future__ import annotations

from quietcopper.board import Dielectric, Layer
from quietcopper.build.builder import BoardBuilder
from quietcopper.build.drawing import rectangle
from quietcopper.build.stack import copper, laminate, mask, stack
from quietcopper.errors import CallError
from quietcopper.units import MM


def small_board(
    layers: int = 4, *, size_mm: tuple[float, float] = (50.0, 30.0), ground: tuple[int, ...] = ()
) -> BoardBuilder:
    """A board in millimetres from (0, 0) to size_mm, with a stackup that needs no thought.

    1.6 mm thick: 35 µm copper, 0.2 mm (er 4.2, tan d 0.02) below each outer layer, a core between; two layers have
    1.5 mm between them. Traces 0.2 mm, vias 0.3/0.6 mm, clearance 0.2 mm. Masks of 20 µm, er 3.5.
    ground : layers (1..N) that are one solid area of net GND, 0.5 mm off the edge

    >>> b = small_board(ground=(2,))
    >>> b.trace("CLK", 1, [(5, 5), (45, 5)])
    >>> board = b.build()
    >>> board.nets, [layer.name for layer in board.layers], round(board.thickness * 1e3, 2)
    (('', 'GND', 'CLK'), ['L1', 'L2', 'L3', 'L4'], 1.6)
    """
    if layers < 1:
        raise CallError(f"small_board: found {layers} layers; expected 1 or more")
    between: list[float] | None = {1: [], 2: [1500.0], 3: [200.0, 1300.0]}.get(layers)
    if between is None:
        core = max(200.0, (1600.0 - 35.0 * layers - 400.0) / (layers - 3))
        between = [200.0, *[core] * (layers - 3), 200.0]
    sheets: list[Layer | Dielectric] = [copper("L1", thickness_um=35)]
    for i, thickness in enumerate(between, 2):
        sheets += [laminate(thickness_um=thickness, er=4.2, tan_d=0.02), copper(f"L{i}", thickness_um=35)]
    cover = mask(thickness_um=20, er=3.5)
    b = BoardBuilder(
        "small board", unit=MM, stack=stack(cover, *sheets, cover), width=0.2, via=(0.3, 0.6), clearance=0.2
    )
    b.outline(rectangle(0, 0, *size_mm))
    for layer in ground:
        b.pour("GND", layer, rectangle(0, 0, *size_mm), edge=0.5, keep_islands=True)
    return b
