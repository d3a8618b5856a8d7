"""Bogbean's traces: what both revisions share, with the figures in which they differ. Millimetres."""

from __future__ import annotations

from dataclasses import dataclass

from quietcopper.build import BoardBuilder, Hop, rectangle
from quietcopper.demo.parts import INDICATORS, LED_X

TOP, BOTTOM = 1, 4
POWER_VIA = (0.3, 0.6)


@dataclass(frozen=True)
class Choices:
    """Where the revisions differ in their traces.

    line : width of a 50-ohm line on an outer layer; antenna : width of the antenna line
    led_first, led_pitch : height of the lowest indicator trace and distance from one to the next
    reference_edge : height of the 26 MHz clock's run along the top edge
    """

    line: float
    antenna: float
    led_first: float
    led_pitch: float
    reference_edge: float


# net, microcontroller pin, memory pin, height of its lane on the bottom layer; pins 9 to 16 are the memory's far side
MEMORY_LANES = (
    ("MEM_RST", 35, 8, 26.555),
    ("MEM_D7", 36, 9, 27.19),
    ("MEM_D6", 37, 7, 27.825),
    ("MEM_D5", 38, 10, 28.46),
    ("MEM_D4", 39, 6, 29.095),
    ("MEM_DQS", 40, 12, 31.0),
    ("MEM_D3", 41, 14, 32.27),
    ("MEM_D2", 42, 3, 32.905),
    ("MEM_D1", 43, 15, 33.54),
    ("MEM_D0", 44, 2, 34.175),
    ("MEM_CS", 45, 16, 34.81),
)
CLOCK_VIAS = ((60.5, 36.4), (67.5, 36.4))  # where CLK_MEM goes down and comes up again


def route_signals(b: BoardBuilder, ground: str, choices: Choices) -> None:
    """Every signal, and every part's short way to its planes; ground : net of the field connector's ground pins."""
    _step_down(b)
    _linear_regulators(b)
    _field_bus(b, ground)
    _controller_supplies(b)
    _controller_signals(b)
    _memory_bus(b)
    _clocks(b, choices)
    _radio(b, choices)
    _indicators(b, choices)


def _step_down(b: BoardBuilder) -> None:
    b.route("12V_IN", "J1.1", "FB1.1", layer=TOP, width=1.2)
    b.pour("12V", TOP, [(4.9, 30.2), (7.1, 30.2), (7.1, 24.6), (11.3, 24.6), (11.3, 22.2), (6.8, 22.2), (4.9, 24.1)])
    b.route("12V", "U4.3", (10.8, 20.3), (9.9, 19.4), (6.0, 19.4), (5.4, 20.0), (5.4, 24.5), width=0.25)
    b.pour("GND", TOP, [(6.6, 21.9), (11.3, 21.9), (11.3, 21.15), (10.1, 21.15), (9.2, 19.9), (6.6, 19.9)])
    for x, y in ((7.0, 20.2), (7.8, 20.2), (8.6, 20.3), (9.3, 20.8)):
        b.via("GND", (x, y))
    b.pour("BUCK_SW", TOP, rectangle(12.7, 22.15, 18.0, 23.4))
    b.route("BUCK_BOOT", "U4.5", "C5.2", width=0.25)
    b.route("BUCK_FB", "U4.4", "R2.1")
    b.route("BUCK_FB", "R3.1", (13.9, 20.55), layer=TOP)
    b.drop("R3.2", (-0.9, 0))
    b.route("5V", "R2.2", (16.6, 20.0), (19.6, 20.0), "L1.2")
    b.pour("5V", TOP, [(19.8, 20.8), (21.0, 20.8), (21.0, 22.7), (30.3, 22.7), (30.3, 24.5), (19.8, 24.5)])
    for x in (21.7, 22.4, 26.9, 27.6):
        b.via("5V", (x, 24.1), drill=POWER_VIA[0], pad=POWER_VIA[1])


def _linear_regulators(b: BoardBuilder) -> None:
    b.pour("GND", TOP, rectangle(22.4, 19.4, 35.4, 22.1))
    for x, y in ((22.8, 20.3), (23.6, 20.3), (25.0, 20.3), (25.8, 20.3), (28.4, 20.8), (33.8, 19.9), (34.6, 19.9)):
        b.via("GND", (x, y))
    b.route("5V", "U5.3", (30.85, 21.05), (30.85, 22.95), "U5.1", width=0.2)
    b.pour("3V3", TOP, rectangle(31.6, 22.6, 36.4, 24.6))
    for x, y in ((35.4, 24.2), (36.1, 24.2), (36.1, 23.5)):
        b.via("3V3", (x, y), drill=POWER_VIA[0], pad=POWER_VIA[1])

    b.pour("3V3", TOP, rectangle(57.6, 20.6, 60.9, 22.4))
    for x, y in ((58.0, 21.3), (58.0, 22.0), (58.7, 22.0)):
        b.via("3V3", (x, y), drill=POWER_VIA[0], pad=POWER_VIA[1])
    b.route("3V3", "U6.3", (61.45, 19.05), (61.45, 20.95), "U6.1", width=0.2)
    b.pour("GND", TOP, [(58.2, 20.3), (60.9, 20.3), (60.9, 19.7), (59.7, 18.5), (58.2, 18.5)])
    for x in (58.5, 59.3):
        b.via("GND", (x, 18.9))
    b.pour("1V8", TOP, rectangle(62.3, 20.6, 66.6, 22.4))
    for x, y in ((66.2, 21.3), (66.2, 22.0), (65.5, 22.0)):
        b.via("1V8", (x, y), drill=POWER_VIA[0], pad=POWER_VIA[1])
    for dx in (-0.4, 0.4):
        b.drop("C9.2", (dx, -0.9), width=0.3)


def _field_bus(b: BoardBuilder, ground: str) -> None:
    b.route("FIELD_P", "J1.3", "D9.2", "R10.2", "U3.7", layer=TOP, width=0.3)
    b.route("FIELD_N", "J1.4", "D9.1", "R10.1", "U3.6", layer=TOP, width=0.3)
    b.drop("D9.3", (0.85, 0), width=0.3)
    b.drop("U3.5", (-1.4, 0), width=0.3)
    b.route("3V3", "U3.8", (19.5, 41.6), "C28.1", width=0.3)
    b.route("3V3", "C28.1", (18.6, 40.2), Hop(BOTTOM), (18.6, 39.6), (19.6, 38.6), (32.4, 38.6), Hop(TOP), width=0.4)
    b.drop("C28.2", (0.9, 0), width=0.3)
    for i, net in enumerate(("BUS_SCK", "BUS_MOSI", "BUS_CS", "BUS_MISO")):
        pin, pad = 10 + i, 4 - i
        lane, column, end = 30.25 - 0.5 * i, 30.0 - 0.5 * i, b.pin(f"U3.{pad}")[1]
        b.route(
            net, f"U1.{pin}", (column + 0.6, lane), (column, lane + 0.6), (column, end - 0.6), (column - 0.6, end),
            f"U3.{pad}",
        )  # fmt: skip


def _controller_supplies(b: BoardBuilder) -> None:
    wide = 0.25
    for pin, *steps in (
        ("U1.1", "C10.1"), ("U1.16", (37.7, 27.25), "C11.1"), ("U1.32", "C12.2"), ("U1.56", "C13.1"),
        ("U1.64", "C14.1"), ("FB2.1", (32.2, 31.5)),
    ):  # fmt: skip
        b.route("3V3", pin, *steps, width=wide)
    b.route("3V3A", "U1.7", "C17.1", "C18.1", "FB2.2", width=wide)
    b.route("1V8", "U1.34", (52.0, 27.75), "C15.2", width=wide)
    b.route("1V8", "U1.47", (52.0, 34.25), "C16.2", width=wide)
    for pin, *steps in (
        ("U1.15", "C11.2"), ("U1.31", "C12.1"), ("U1.55", "C13.2"), ("U1.63", "C14.2"),
        ("U1.33", (51.5, 27.25), "C15.1"), ("U1.46", "C16.1"), ("U1.6", "C17.2"),
    ):  # fmt: skip
        b.route("GND", pin, *steps, width=wide)
    b.route("GND", "C17.2", (36.15, 32.5), Hop(BOTTOM), width=wide)
    b.route("GND", "C18.2", (36.15, 32.5), width=wide)
    for pin, by in {
        "C10.1": (-0.9, 0), "C10.2": (-0.9, 0), "C11.1": (-0.9, 0), "C11.2": (-0.9, 0), "C12.1": (-0.9, 0),
        "C12.2": (0.9, 0), "C13.1": (0, 0.9), "C13.2": (0, 0.9), "C14.1": (0, 0.9), "C14.2": (0, 0.9),
        "C15.1": (0.9, 0), "C15.2": (0.9, 0), "C16.1": (0.9, 0), "C16.2": (0.9, 0), "FB2.1": (-0.9, 0),
        "C20.2": (0, 0.9), "C21.2": (0.5, 0.9), "SW1.2": (1.3, 0), "C22.2": (0.9, 0), "R9.2": (0.9, 0),
        "R7.1": (-0.9, 0), "R8.1": (0.9, 0), "C23.1": (-0.9, 0), "C23.2": (-0.9, 0), "C24.1": (0.9, 0),
        "C24.2": (0.9, 0), "C25.1": (0, -0.9), "C25.2": (0.9, 0), "C26.1": (0, -1.0), "C26.2": (-1.1, 0),
        "U7.8": (-1.5, 0), "C27.1": (-0.9, 0), "C27.2": (0.9, 0),
    }.items():  # fmt: skip
        b.drop(pin, by, width=wide)


def _controller_signals(b: BoardBuilder) -> None:
    b.route("XTAL_IN", "U1.2", (38.4, 34.25), (36.0, 36.65), "Y1.3", "C20.1")
    b.route("XTAL_OUT", "U1.3", (34.4, 33.75), "Y1.1", "C21.1")
    b.route("GND", "Y1.2", (34.3, 35.8), Hop(BOTTOM), width=0.2)
    b.route("GND", "Y1.4", (34.3, 35.8), width=0.2)
    b.route("NRST", "U1.4", (31.4, 33.25), (30.8, 33.85), (30.8, 44.4), "SW1.1")
    b.route("NRST", "C22.1", (30.8, 40.0))
    b.route("NRST", "R9.1", (30.8, 41.2))
    b.route("NRST", "SW1.1", (31.1, 47.6), (31.9, 48.4), (40.4, 48.4), Hop(BOTTOM), "J4.4")
    b.route("SENS_AIN", "U1.8", (38.3, 31.25), (37.8, 30.76), Hop(BOTTOM), (37.7, 31.0), (37.7, 55.0), "J2.4")
    b.route("SWDIO", "U1.57", (44.75, 37.6), (44.0, 38.35), "J4.1")
    b.route("SWCLK", "U1.58", (44.25, 37.6), (43.5, 38.35), (43.5, 40.4), (42.8, 41.1), (42.8, 43.5), "J4.2")
    b.route("I2C_SCL", "U1.61", (42.75, 40.4), (42.1, 41.05), (42.1, 52.4), "J2.6")
    b.route("I2C_SCL", "R8.2", (42.1, 52.4))
    b.route("I2C_SDA", "U1.62", (42.25, 40.4), (41.6, 41.05), (41.6, 53.6), "J2.5")
    b.route("I2C_SDA", "R7.2", (41.6, 52.4))
    for i, (net, x, y) in enumerate(
        (("LED_SER", 40.7, 23.4), ("LED_SCK", 41.5, 22.6), ("LED_LATCH", 42.2, 23.4), ("LED_OE", 43.1, 22.6))
    ):
        pin_x, lane, column = 41.25 + 0.5 * i, 17.8 - 0.5 * i, 9.5 + 0.6 * i
        end = 8.365 + 1.27 * i
        b.route(
            net, f"U1.{17 + i}", (pin_x, 24.4), (x, y), Hop(BOTTOM), (x, lane + 0.6), (x - 0.6, lane),
            (column + 0.6, lane), (column, lane - 0.6), (column, end), Hop(TOP), f"U7.{5 - i}",
            early=True,
        )  # fmt: skip


def _memory_bus(b: BoardBuilder) -> None:
    for i, (net, mcu, memory, lane) in enumerate(MEMORY_LANES):
        down = 57.4 if i % 2 else 58.3
        y = b.pin(f"U1.{mcu}")[1]
        head = (f"U1.{mcu}", (55.0, y), (55.0 + abs(lane - y), lane), (down, lane), Hop(BOTTOM))
        far_side = memory > 8
        b.route(net, *head, (82.4 if far_side else 72.6, lane), Hop(TOP), f"U2.{memory}")
    b.route("GND", "U2.4", "C23.2", width=0.25)
    b.route("1V8", "U2.5", "C23.1", width=0.25)
    b.route("1V8", "U2.13", "C24.2", width=0.25)
    b.route("GND", "U2.11", (83.1, 29.095), Hop(BOTTOM), width=0.25)
    b.route("GND", (83.1, 29.095), "C24.1", layer=TOP, width=0.25)


def _clocks(b: BoardBuilder, choices: Choices) -> None:
    b.route("CLK_MEM_SRC", "U1.48", (51.6, 34.75), (53.25, 36.4), "R1.1")
    down, up = CLOCK_VIAS
    b.route("CLK_MEM", "R1.2", down, Hop(BOTTOM), up, Hop(TOP), (74.0, 36.4), "U2.1", width=choices.line)
    b.route("CLK_REF_SRC", "U1.54", (46.25, 40.2), (46.7, 40.65), "R5.1")
    corner = (46.7, choices.reference_edge), (63.75, choices.reference_edge)
    b.route("CLK_REF", "R5.2", *corner, "U8.19", width=choices.line, radius=1.2)


def _radio(b: BoardBuilder, choices: Choices) -> None:
    for i, (net, pin, pad) in enumerate(
        (("RADIO_SCK", 53, 2), ("RADIO_MOSI", 52, 3), ("RADIO_MISO", 51, 4), ("RADIO_CS", 50, 5), ("RADIO_IRQ", 49, 6))
    ):
        x, lane, y = 46.75 + 0.5 * i, 48.9 + 0.5 * i, b.pin(f"U8.{pad}")[1]
        b.route(net, f"U1.{pin}", (x, 37.7), (lane, 37.7 + lane - x), (lane, y - 0.6), (lane + 0.6, y), f"U8.{pad}")
    b.route("3V3", "U8.9", "U8.8", width=0.5)
    b.route("3V3", "U8.8", (57.75, 41.7), "C25.1", width=0.4)
    b.route("3V3", "C25.1", "C26.1", width=0.4)
    b.route("RF_MOD", "U8.16", "C29.1", "L2.1", width=choices.line)
    b.route("RF_ANT", "L2.2", "C30.1", "J3.1", width=choices.antenna)
    for pad, by in {
        1: (-1.4, 0), 7: (0, 1.4), 10: (0, 1.4), 12: (0, 1.4), 13: (1.4, 0), 14: (1.4, 0), 15: (1.4, 0),
        17: (1.4, 0), 18: (1.4, 0), 20: (0, -1.4), 24: (0, -1.4),
    }.items():  # fmt: skip
        b.drop(f"U8.{pad}", by, width=0.4)
    b.drop("C29.2", (0, -0.9), width=0.3)
    b.drop("C30.2", (0, -0.9), width=0.3)


def _indicators(b: BoardBuilder, choices: Choices) -> None:
    b.route("5V", "C27.1", (12.9, 13.445), "U7.1", width=0.3)
    b.route("5V", "U7.1", (14.7, 13.445), (14.7, 7.095), "U7.6", width=0.2)
    for i in range(INDICATORS):
        lane, x, y = choices.led_first + i * choices.led_pitch, LED_X[i], 4.555 + 1.27 * i
        knee = (20.2 + abs(lane - y), lane)
        b.route(
            f"LED_{i + 1}", f"U7.{9 + i}", (20.2, y), knee, (x - 0.6, lane), (x, lane - 0.6), f"R{11 + i}.1", width=0.2
        )
        b.route(f"LEDA_{i + 1}", f"R{11 + i}.2", f"D{i + 1}.A", width=0.2)
        b.drop(f"D{i + 1}.K", (1.0, 0), width=0.3)


def ground_pours(b: BoardBuilder) -> None:
    """Ground copper on the outer layers that both revisions have: round the antenna line, and where room is left."""
    for layer in (TOP, BOTTOM):
        b.pour("GND", layer, rectangle(66.8, 44.6, 89.5, 54.9), clearance=0.6, edge=0.3, min_width=0.4)
    for x in (72.2, 75.6, 78.4, 81.2, 84.0):
        b.via("GND", (x, 52.2 if x > 73 else 51.4))
        b.via("GND", (x, 47.3 if x > 73 else 46.6))
    for x0, y0, x1, y1 in ((23.5, 14.2, 56.5, 18.4), (68.0, 14.2, 88.5, 24.0)):
        b.pour("GND", TOP, rectangle(x0, y0, x1, y1), min_width=0.4)
    for x in (25.0, 29.0, 33.0, 37.0, 41.0, 46.0, 51.0, 55.5):
        b.via("GND", (x, 14.9))
    for x in (69.0, 75.0, 81.0, 87.5):
        for y in (15.2, 23.2):
            b.via("GND", (x, y))
