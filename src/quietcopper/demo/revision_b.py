"""Bogbean, revision B: the same parts and nets with revision A's sins mended."""

from __future__ import annotations

from quietcopper.board import Board
from quietcopper.build import BoardBuilder, Hop, rectangle
from quietcopper.demo.parts import HEIGHT, WIDTH, place_parts
from quietcopper.demo.revision_a import start
from quietcopper.demo.routes import BOTTOM, CLOCK_VIAS, TOP, Choices, ground_pours, route_signals

GROUND_PLANES = (2, 3)
CHOICES = Choices(line=0.117, antenna=0.117, led_first=7.2, led_pitch=0.85, reference_edge=56.4)


def revision_b() -> Board:
    """The mended board."""
    b = start("Bogbean B", prepreg_um=75, core_um=600)
    place_parts(b, "GND")
    route_signals(b, "GND", CHOICES)
    _return_vias(b)
    _supplies(b)
    ground_pours(b)
    for x0, y0, x1, y1 in ((45, 1.5, 88.5, 17), (13, 1.5, 42.6, 15.4), (3, 18.8, 30.4, 29.8), (47.2, 45.4, 65.6, 58)):
        b.pour("GND", BOTTOM, rectangle(x0, y0, x1, y1), min_width=0.4)
    for layer in (TOP, BOTTOM):
        b.pour("GND", layer, rectangle(1.5, 46.9, 18.6, 53.0), min_width=0.3, thermal=(0.3, 0.6))
    for layer in GROUND_PLANES:
        b.pour("GND", layer, rectangle(0, 0, WIDTH, HEIGHT), edge=0.5, min_width=0.2)
    b.stitch("GND", rectangle(0, 0, WIDTH, HEIGHT), 5.0, clearance=0.5)
    return b.build()


def _return_vias(b: BoardBuilder) -> None:
    """Ground vias beside the vias of lines that change layers, so that the return changes planes with them."""
    for x, y in CLOCK_VIAS:
        for dy in (-0.7, 0.7):
            b.via("GND", (x, y + dy))
    bus = [(57.4, 35.5), (58.3, 35.5), (57.85, 31.635), (57.4, 25.9), (58.3, 25.9), (71.8, 35.4), (72.6, 25.9)]
    bus += [(83.2, 34.2), (83.2, 32.9), (83.2, 27.8), (83.2, 26.5)]
    indicators = [(10.9, 9.0), (11.5, 10.27), (12.0, 11.54), (8.8, 9.0), (40.0, 22.7), (43.9, 23.3)]
    for place in (*bus, *indicators):
        b.via("GND", place)


def _supplies(b: BoardBuilder) -> None:
    """The three supplies as pours on the bottom, 0.075 mm from the ground plane above them."""
    b.route("5V", (20.4, 21.0), (21.2, 20.2), (21.2, 16.6), (12.9, 16.6), "C27.1", layer=TOP, width=0.8)
    b.route("5V", (27.6, 24.1), (27.4, 24.3), (27.4, 40.4), Hop(BOTTOM), (27.4, 54.5), "J2.1", layer=TOP, width=0.8)
    b.via("5V", (27.4, 39.7))
    main = [
        (32.0, 18.6), (50.6, 18.6), (60.4, 18.6), (60.4, 25.5), (51.6, 25.5), (51.6, 38.0), (58.0, 38.0),
        (66.0, 38.6), (66.0, 42.5), (45.0, 44.0), (45.0, 57.8), (32.0, 57.8),
    ]  # fmt: skip
    b.pour("3V3", BOTTOM, main, min_width=0.3, thermal=(0.3, 0.6))
    core = [
        (62.6, 18.0), (88.0, 18.0), (88.0, 34.0), (83.4, 34.0), (83.4, 30.9), (56.6, 30.9), (56.6, 35.6), (52.6, 35.6),
        (52.6, 26.9), (56.6, 26.9), (56.6, 29.3), (83.4, 29.3), (83.4, 25.6), (62.6, 25.6),
    ]  # fmt: skip
    b.pour("1V8", BOTTOM, core, min_width=0.3)
