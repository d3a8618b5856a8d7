"""Bogbean, an invented node that measures the gas flux of wetlands: its parts and where they sit.

A field cable brings 12 V and a two-wire bus; a probe plugs in at the top edge; a radio sends the readings; eight
indicators show what it does. Product, parts and values are made up. Millimetres, origin at the lower left corner.
"""

from __future__ import annotations

from quietcopper.build import (
    BoardBuilder,
    castellated,
    chip,
    crystal,
    edge_coax,
    header,
    led,
    qfp,
    rectangle,
    soic,
    sot23,
    tactile_switch,
    two_pads,
)

WIDTH, HEIGHT = 90.0, 60.0
HOLES = ((4.0, 4.0), (86.0, 4.0), (4.0, 56.0), (86.0, 56.0))
INDICATORS = 8
LED_X = tuple(51.5 + 4.4 * i for i in range(INDICATORS))

# microcontroller, pins 1 to 64 counter-clockwise from the upper left
MCU_LEFT = (
    "3V3", "XTAL_IN", "XTAL_OUT", "NRST", "", "GND", "3V3A", "SENS_AIN",
    "", "BUS_SCK", "BUS_MOSI", "BUS_CS", "BUS_MISO", "", "GND", "3V3",
)  # fmt: skip
MCU_BOTTOM = (
    "LED_SER", "LED_SCK", "LED_LATCH", "LED_OE", "", "", "", "",
    "", "", "", "", "", "", "GND", "3V3",
)  # fmt: skip
MCU_RIGHT = (
    "GND", "1V8", "MEM_RST", "MEM_D7", "MEM_D6", "MEM_D5", "MEM_D4", "MEM_DQS",
    "MEM_D3", "MEM_D2", "MEM_D1", "MEM_D0", "MEM_CS", "GND", "1V8", "CLK_MEM_SRC",
)  # fmt: skip
MCU_TOP = (
    "RADIO_IRQ", "RADIO_CS", "RADIO_MISO", "RADIO_MOSI", "RADIO_SCK", "CLK_REF_SRC", "GND", "3V3",
    "SWDIO", "SWCLK", "", "", "I2C_SCL", "I2C_SDA", "GND", "3V3",
)  # fmt: skip
MEMORY = (
    "CLK_MEM", "MEM_D0", "MEM_D2", "GND", "1V8", "MEM_D4", "MEM_D6", "MEM_RST",
    "MEM_D7", "MEM_D5", "GND", "MEM_DQS", "1V8", "MEM_D3", "MEM_D1", "MEM_CS",
)  # fmt: skip
RADIO = (
    "GND", "RADIO_SCK", "RADIO_MOSI", "RADIO_MISO", "RADIO_CS", "RADIO_IRQ",  # left, downward
    "GND", "3V3", "3V3", "GND", "", "GND",  # bottom, rightward
    "GND", "GND", "GND", "RF_MOD", "GND", "GND",  # right, upward
    "CLK_REF", "GND", "", "", "", "GND",  # top, leftward
)  # fmt: skip
LED_DRIVER = (
    "5V", "LED_OE", "LED_LATCH", "LED_SCK", "LED_SER", "5V", "", "GND",
    *(f"LED_{i + 1}" for i in range(INDICATORS)),
)  # fmt: skip


def place_parts(b: BoardBuilder, field_ground: str) -> None:
    """All parts of both revisions; field_ground : net of the field connector's ground pins."""
    b.outline(rectangle(0, 0, WIDTH, HEIGHT, corner=3))
    for hole in HOLES:
        b.hole(hole, 3.2)
    _power(b)
    _field_bus(b, field_ground)
    _controller(b)
    _memory(b)
    _radio(b)
    _indicators(b)


def _power(b: BoardBuilder) -> None:
    b.part("FB1", chip("0805"), (6, 30.5), nets=("12V_IN", "12V"), value="bead 120 ohm", turn_deg=-90)
    b.part("C1", chip("0805"), (7.6, 22.0), nets=("12V", "GND"), value="10 uF", turn_deg=-90)
    b.part("C2", chip("0402"), (9.4, 22.0), nets=("12V", "GND"), value="100 nF", turn_deg=-90)
    regulator = ("12V", "GND", "12V", "BUCK_FB", "BUCK_BOOT", "BUCK_SW")
    b.part("U4", sot23(6), (12.0, 21.5), nets=regulator, value="step-down regulator")
    b.part("C5", chip("0402"), (15.2, 22.1), nets=("BUCK_SW", "BUCK_BOOT"), value="100 nF", turn_deg=-90)
    inductor = two_pads("IND-4x4", pad_mm=(1.2, 3.6), distance_mm=3.0, body_mm=(4.2, 4.2))
    b.part("L1", inductor, (18.9, 22.6), nets=("BUCK_SW", "5V"), value="6.8 uH")
    b.part("R2", chip("0402"), (15.7, 20.4), nets=("BUCK_FB", "5V"), value="52.3 kohm")
    b.part("R3", chip("0402"), (13.9, 19.1), nets=("BUCK_FB", "GND"), value="10 kohm", turn_deg=-90)
    b.part("C3", chip("0805"), (23.2, 22.4), nets=("5V", "GND"), value="22 uF", turn_deg=-90)
    b.part("C4", chip("0805"), (25.4, 22.4), nets=("5V", "GND"), value="22 uF", turn_deg=-90)
    b.part("C6", chip("0402"), (28.4, 22.4), nets=("5V", "GND"), value="1 uF", turn_deg=-90)
    b.part("U5", sot23(5), (31.0, 22.0), nets=("5V", "GND", "5V", "", "3V3"), value="linear regulator 3.3 V")
    b.part("C7", chip("0805"), (34.2, 22.0), nets=("3V3", "GND"), value="10 uF", turn_deg=-90)
    b.part("C8", chip("0402"), (59.0, 20.4), nets=("3V3", "GND"), value="1 uF", turn_deg=-90)
    b.part("U6", sot23(5), (61.6, 20.0), nets=("3V3", "GND", "3V3", "", "1V8"), value="linear regulator 1.8 V")
    b.part("C9", chip("0805"), (64.8, 20.0), nets=("1V8", "GND"), value="10 uF", turn_deg=-90)


def _field_bus(b: BoardBuilder, ground: str) -> None:
    terminal = header(5, pitch_mm=3.81, drill_mm=1.2, pad_mm=2.0, depth_mm=8.0)
    pins = ("12V_IN", ground, "FIELD_P", "FIELD_N", ground)
    b.part("J1", terminal, (6.0, 42.0), nets=pins, value="field cable", turn_deg=90)
    b.part("D9", sot23(3), (14.5, 43.9), nets=("FIELD_N", "FIELD_P", ground), value="surge clamp")
    b.part("R10", chip("0603"), (17.4, 43.9), nets=("FIELD_N", "FIELD_P"), value="120 ohm", turn_deg=-90)
    pins8 = ("BUS_MISO", "BUS_CS", "BUS_MOSI", "BUS_SCK", ground, "FIELD_N", "FIELD_P", "3V3")
    b.part("U3", soic(8), (22.5, 43.9), nets=pins8, value="two-wire bus controller", turn_deg=180)
    b.part("C28", chip("0402"), (20.0, 40.2), nets=("3V3", ground), value="100 nF")


def _controller(b: BoardBuilder) -> None:
    pins = (*MCU_LEFT, *MCU_BOTTOM, *MCU_RIGHT, *MCU_TOP)
    b.part("U1", qfp(64, pitch_mm=0.5, body_mm=10), (45.0, 31.0), nets=pins, value="microcontroller")
    b.part("C10", chip("0402"), (39.2, 36.7), nets=("3V3", "GND"), value="100 nF", turn_deg=90)
    b.part("C11", chip("0402"), (36.9, 27.4), nets=("3V3", "GND"), value="100 nF", turn_deg=90)
    b.part("C12", chip("0402"), (48.5, 23.2), nets=("GND", "3V3"), value="100 nF")
    b.part("C13", chip("0402"), (45.2, 39.2), nets=("3V3", "GND"), value="100 nF")
    b.part("C14", chip("0402"), (41.0, 39.2), nets=("3V3", "GND"), value="100 nF")
    b.part("C15", chip("0402"), (52.7, 27.0), nets=("GND", "1V8"), value="100 nF", turn_deg=90)
    b.part("C16", chip("0402"), (53.2, 34.3), nets=("GND", "1V8"), value="100 nF", turn_deg=90)
    b.part("C17", chip("0402"), (36.9, 32.0), nets=("3V3A", "GND"), value="100 nF", turn_deg=90)
    b.part("C18", chip("0402"), (35.4, 32.0), nets=("3V3A", "GND"), value="1 uF", turn_deg=90)
    b.part("FB2", chip("0402"), (33.6, 31.5), nets=("3V3", "3V3A"), value="bead 600 ohm")
    b.part("Y1", crystal(), (34.3, 35.8), nets=("XTAL_OUT", "GND", "XTAL_IN", "GND"), value="16 MHz")
    b.part("C20", chip("0402"), (35.9, 38.2), nets=("XTAL_IN", "GND"), value="12 pF")
    b.part("C21", chip("0402"), (31.7, 35.45), nets=("XTAL_OUT", "GND"), value="12 pF", turn_deg=90)
    b.part("SW1", tactile_switch(), (34.6, 45.0), nets=("NRST", "GND"), value="reset")
    b.part("R9", chip("0402"), (33.2, 41.2), nets=("NRST", "3V3"), value="10 kohm")
    b.part("C22", chip("0402"), (33.2, 40.0), nets=("NRST", "GND"), value="100 nF")
    debug = header(5, pitch_mm=2.0, drill_mm=0.8, pad_mm=1.3)
    b.part("J4", debug, (43.9, 46.4), nets=("SWDIO", "SWCLK", "GND", "NRST", "3V3"), value="debug", turn_deg=90)
    probe = header(6, pitch_mm=2.54, drill_mm=1.0, pad_mm=1.7, depth_mm=5.0)
    pins6 = ("5V", "3V3", "GND", "SENS_AIN", "I2C_SDA", "I2C_SCL")
    b.part("J2", probe, (36.0, 56.2), nets=pins6, value="probe")
    b.part("R7", chip("0402"), (40.6, 52.4), nets=("3V3", "I2C_SDA"), value="4.7 kohm")
    b.part("R8", chip("0402"), (43.2, 52.4), nets=("3V3", "I2C_SCL"), value="4.7 kohm", turn_deg=180)


def _memory(b: BoardBuilder) -> None:
    b.part("U2", soic(16), (78.0, 31.0), nets=MEMORY, value="octal memory")
    b.part("C23", chip("0402"), (73.6, 31.0), nets=("1V8", "GND"), value="100 nF", turn_deg=90)
    b.part("C24", chip("0402"), (84.4, 30.9), nets=("GND", "1V8"), value="100 nF", turn_deg=90)
    b.part("R1", chip("0402"), (54.2, 36.4), nets=("CLK_MEM_SRC", "CLK_MEM"), value="33 ohm")


def _radio(b: BoardBuilder) -> None:
    module = castellated(left=6, bottom=6, right=6, top=6, pitch_mm=1.5, body_mm=(16, 12))
    b.part("U8", module, (60.0, 49.0), nets=RADIO, value="radio module")
    b.part("C25", chip("0402"), (58.5, 41.3), nets=("3V3", "GND"), value="100 nF")
    b.part("C26", chip("0603"), (55.0, 41.0), nets=("3V3", "GND"), value="10 uF", turn_deg=180)
    b.part("R5", chip("0402"), (46.7, 42.0), nets=("CLK_REF_SRC", "CLK_REF"), value="33 ohm", turn_deg=90)
    b.part("C29", chip("0402"), (70.6, 49.25), nets=("RF_MOD", "GND"), value="not fitted", turn_deg=-90)
    b.part("L2", chip("0402"), (72.2, 49.75), nets=("RF_MOD", "RF_ANT"), value="0 ohm")
    b.part("C30", chip("0402"), (73.8, 49.25), nets=("RF_ANT", "GND"), value="not fitted", turn_deg=-90)
    b.part("J3", edge_coax(), (87.5, 49.75), nets=("RF_ANT", "GND", "GND", "GND", "GND"), value="antenna")


def _indicators(b: BoardBuilder) -> None:
    b.part("U7", soic(16), (16.0, 9.0), nets=LED_DRIVER, value="shift register with drivers")
    b.part("C27", chip("0402"), (13.4, 15.2), nets=("5V", "GND"), value="100 nF")
    for i, x in enumerate(LED_X, 1):
        nets = (f"LED_{i}", f"LEDA_{i}")
        b.part(f"R{10 + i}", chip("0402"), (x, 5.6), nets=nets, value="1 kohm", turn_deg=-90)
        b.part(f"D{i}", led("0603"), (x, 3.0), nets=("GND", f"LEDA_{i}"), value="indicator", turn_deg=90)
