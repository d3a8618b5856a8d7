"""Bogbean, revision A: a working board with the usual sins put in on purpose (see `quietcopper.demo.sins`)."""

from __future__ import annotations

from quietcopper.board import Board
from quietcopper.build import BoardBuilder, chip, copper, laminate, mask, rectangle, stack, strip
from quietcopper.demo.parts import HEIGHT, WIDTH, place_parts
from quietcopper.demo.routes import BOTTOM, TOP, Choices, ground_pours, route_signals
from quietcopper.units import MM

GROUND_PLANE, SUPPLY_PLANE = 2, 3
FIELD_GROUND = "GND_IO"
MOAT = strip([(-1, 30.5), (27.2, 30.5), (27.2, 61)], 0.8)
FIELD_REGION = rectangle(0, 30.5, 27.2, HEIGHT)
PULL_BACK = 1.0  # planes end this far inside the board's edge

CHOICES = Choices(line=0.35, antenna=0.2, led_first=7.2, led_pitch=0.32, reference_edge=59.2)


def revision_a() -> Board:
    """The board with its sins."""
    b = start("Bogbean A", prepreg_um=200, core_um=1000)
    place_parts(b, FIELD_GROUND)
    b.part("R19", chip("0603"), (20.0, 30.5), nets=(FIELD_GROUND, "GND"), value="0 ohm", turn_deg=-90)
    b.part("C32", chip("0603"), (23.0, 30.5), nets=(FIELD_GROUND, "GND"), value="4.7 nF", turn_deg=-90)
    for pin, by in {"R19.1": (0, 1.1), "C32.1": (0, 1.1), "R19.2": (0, -1.1), "C32.2": (0, -1.1)}.items():
        b.drop(pin, by, width=0.5)
    route_signals(b, FIELD_GROUND, CHOICES)
    _planes(b)
    _feed_controller(b)
    ground_pours(b)
    _field_pours(b)
    _loose_pours(b)
    return b.build()


def start(name: str, *, prepreg_um: float, core_um: float) -> BoardBuilder:
    """The empty board of either revision."""
    cover = mask(thickness_um=20, er=3.5)
    prepreg = laminate(thickness_um=prepreg_um, er=4.2, tan_d=0.018, material="prepreg")
    b = BoardBuilder(
        name,
        unit=MM,
        width=0.15,
        via=(0.25, 0.5),
        clearance=0.25,
        stack=stack(
            cover,
            copper("TOP", thickness_um=35, function="signal"),
            prepreg,
            copper("INNER1", thickness_um=35, function="plane"),
            laminate(thickness_um=core_um, er=4.4, tan_d=0.018, material="core"),
            copper("INNER2", thickness_um=35, function="plane"),
            prepreg,
            copper("BOTTOM", thickness_um=35, function="signal"),
            cover,
        ),
    )
    for net in ("CLK_MEM", "CLK_REF", "RF_ANT"):
        b.net(net, target_ohm=50)
    b.net("GND", kind="ground")
    for net in ("12V_IN", "12V", "5V", "3V3", "3V3A", "1V8"):
        b.net(net, kind="power")
    return b


def _planes(b: BoardBuilder) -> None:
    for layer in (GROUND_PLANE, SUPPLY_PLANE):
        b.pour(FIELD_GROUND, layer, FIELD_REGION, edge=PULL_BACK, cut=[MOAT])
    b.pour("GND", GROUND_PLANE, rectangle(0, 0, WIDTH, HEIGHT), edge=PULL_BACK, min_width=0.2, cut=[MOAT])
    step_down = [(0, 0), (30.75, 0), (30.75, HEIGHT), (27.6, HEIGHT), (27.6, 30.1), (0, 30.1)]
    b.pour("5V", SUPPLY_PLANE, step_down, edge=PULL_BACK, min_width=0.2)
    main = [
        (31.2, 0), (WIDTH, 0), (WIDTH, 16.25), (61.75, 16.25), (61.75, 41.25), (WIDTH, 41.25), (WIDTH, HEIGHT),
        (31.2, HEIGHT),
    ]  # fmt: skip
    b.pour("3V3", SUPPLY_PLANE, main, edge=PULL_BACK, min_width=0.2)
    b.pour("1V8", SUPPLY_PLANE, rectangle(62.25, 16.75, WIDTH, 40.75), edge=PULL_BACK, min_width=0.2)


def _feed_controller(b: BoardBuilder) -> None:
    """1V8 reaches the microcontroller on the bottom, between the two halves of the memory bus."""
    for x in (64.0, 65.0):
        b.via("1V8", (x, 30.05), drill=0.3, pad=0.6)
    b.route("1V8", (65.0, 30.05), (55.0, 30.05), layer=BOTTOM, width=0.8)
    b.route("1V8", (55.0, 30.05), (55.0, 33.9), (54.1, 34.8), layer=BOTTOM, width=0.6)
    b.route("1V8", (55.0, 30.05), (53.6, 28.65), (53.6, 27.5), layer=BOTTOM, width=0.6)


def _field_pours(b: BoardBuilder) -> None:
    """Copper of the field connector's own ground on the outer layers."""
    for layer in (TOP, BOTTOM):
        b.pour(FIELD_GROUND, layer, rectangle(1.5, 46.9, 18.6, 53.0), min_width=0.3, thermal=(0.3, 0.6))
    for x in (3.0, 9.5, 13.0, 16.5):
        b.via(FIELD_GROUND, (x, 52.0))
        b.via(FIELD_GROUND, (x, 48.0))


def _loose_pours(b: BoardBuilder) -> None:
    """Pour drawn to fill space: pieces tied to nothing, fingers tied at one end, strips hugging a clock."""
    b.pour("GND", BOTTOM, rectangle(57.0, 37.1, 85.4, 39.5), keep_islands=True)
    b.pour("GND", TOP, rectangle(48.6, 56.4, 63.1, 58.5), keep_islands=True)
    for layer, y in ((TOP, 37.1), (BOTTOM, 25.0)):
        b.pour("GND", layer, rectangle(61.0, y, 87.0, y + 1.2))
        b.via("GND", (86.4, y + 0.6))
    for x0, x1 in ((45.25, 46.42), (46.98, 48.15)):
        b.pour("GND", TOP, rectangle(x0, 43.2, x1, 57.6), clearance=0.1)
        for y in (43.8, 49.0, 53.5, 57.1):
            b.via("GND", ((x0 + x1) / 2, y))
