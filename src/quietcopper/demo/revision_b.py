"""Bogbean, revision B: the same parts and nets with revision A's sins mended."""

from __future__ import annotations

from quietcopper.board import Board
from quietcopper.build import BoardBuilder, Hop, rectangle
from quietcopper.demo.parts import HEIGHT, WIDTH, place_parts
from quietcopper.demo.revision_a import start
from quietcopper.demo.routes import BOTTOM, CLOCK_VIAS, TOP, Choices, ground_pours, route_signals

GROUND_PLANES = (2, 3)
CHOICES = Choices(line=0.2, antenna=0.2, led_first=7.2, led_pitch=0.85, reference_edge=57.0)


def revision_b() -> Board:
    """The mended board."""
    b = start("Bogbean B", prepreg_um=120, core_um=1200)
    place_parts(b, "GND")
    route_signals(b, "GND", CHOICES)
    for x, y in CLOCK_VIAS:  # a way for the return current beside each of the clock's vias
        for dy in (-0.75, 0.75):
            b.via("GND", (x, y + dy))
    _supplies(b)
    ground_pours(b)
    for layer in (TOP, BOTTOM):
        b.pour("GND", layer, rectangle(1.5, 46.9, 18.6, 53.0), min_width=0.3, thermal=(0.3, 0.6))
    for layer in GROUND_PLANES:
        b.pour("GND", layer, rectangle(0, 0, WIDTH, HEIGHT), edge=0.5, min_width=0.2)
    b.stitch("GND", rectangle(1, 1, WIDTH - 1, HEIGHT - 1), 6.0)
    return b.build()


def _supplies(b: BoardBuilder) -> None:
    """The three supplies as pours on the bottom, 0.12 mm from the ground plane above them."""
    b.route("5V", (20.4, 21.0), (21.2, 20.2), (21.2, 16.6), (12.9, 16.6), "C27.1", layer=TOP, width=0.8)
    b.route("5V", (27.6, 24.1), (28.0, 24.5), (28.0, 40.4), Hop(BOTTOM), (28.0, 54.5), "J2.1", layer=TOP, width=0.8)
    b.via("5V", (28.0, 39.7))
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
