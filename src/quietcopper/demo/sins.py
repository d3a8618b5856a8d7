"""What is wrong with revision A on purpose, and how a reviewer would know what the file cannot say."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Sin:
    """A fault planted in revision A. at : a place on it, mm; layers numbered from 1; check : expected to find it."""

    name: str
    what: str
    check: str
    at_mm: tuple[float, float]
    layers: tuple[int, ...]
    nets: tuple[str, ...] = ()


SINS: tuple[Sin, ...] = (
    Sin(
        "memory clock between planes that no via ties",
        "CLK_MEM goes down to layer 4 and comes up again, from ground on layer 2 to 3V3 on layer 3",
        "plane-edges-radiate",
        (60.5, 36.4),
        (1, 4),
        ("CLK_MEM",),
    ),
    Sin(
        "memory clock over the supply plane's split",
        "its return goes round the split, which makes a loop",
        "loop-radiates",
        (62.0, 36.4),
        (4,),
        ("CLK_MEM",),
    ),
    Sin(
        "memory clock wide over a thick dielectric",
        "1.8 V on 0.35 mm of width reach past the board from an outer layer",
        "line-drives-cables",
        (70.0, 36.4),
        (1,),
        ("CLK_MEM",),
    ),
    Sin(
        "memory bus over the split supply plane",
        "eleven lines and their clock on layer 4 cross from 3V3 to 1V8 on layer 3",
        "trace-over-gap",
        (62.0, 31.0),
        (3, 4),
        (
            "CLK_MEM",
            "MEM_D0",
            "MEM_D1",
            "MEM_D2",
            "MEM_D3",
            "MEM_D4",
            "MEM_D5",
            "MEM_D6",
            "MEM_D7",
            "MEM_DQS",
            "MEM_CS",
        ),
    ),
    Sin(
        "indicator control over the split supply plane",
        "four lines on layer 4 cross from 3V3 to 5V on layer 3",
        "trace-over-gap",
        (31.0, 17.0),
        (3, 4),
        ("LED_SER", "LED_SCK", "LED_LATCH", "LED_OE"),
    ),
    Sin(
        "supply plane under the bottom layer",
        "the lines on layer 4 have supplies as their reference",
        "reference-not-ground",
        (62.0, 31.0),
        (3, 4),
    ),
    Sin(
        "ground and supply planes far apart",
        "1.0 mm of core between layers 2 and 3",
        "planes-far-apart",
        (45.0, 30.0),
        (2, 3),
    ),
    Sin(
        "memory clock changes layers without a way for its return",
        "CLK_MEM passes between layers 1 and 4 twice, no capacitor between its references within 4 mm",
        "layer-change-without-return",
        (60.5, 36.4),
        (1, 4),
        ("CLK_MEM",),
    ),
    Sin(
        "bundled indicator traces",
        "eight traces 0.2 mm wide run 0.12 mm apart for 26 mm and more",
        "traces-too-close",
        (38.0, 8.6),
        (1,),
        ("LED_1", "LED_2", "LED_3", "LED_4", "LED_5", "LED_6", "LED_7", "LED_8"),
    ),
    Sin(
        "lone pour above the memory clock",
        "a piece 28 mm long on layer 4 tied to nothing",
        "lone-copper",
        (71.2, 38.3),
        (4,),
    ),
    Sin(
        "lone pour along the upper edge",
        "a piece 14 mm long on layer 1 tied to nothing",
        "lone-copper",
        (55.8, 57.4),
        (1,),
    ),
    Sin(
        "pour finger beside the memory clock",
        "25 mm on layer 1, tied at its right end only",
        "pour-finger",
        (61.0, 37.7),
        (1,),
        ("GND",),
    ),
    Sin(
        "pour finger beside the memory bus",
        "25 mm on layer 4, tied at its right end only",
        "pour-finger",
        (61.0, 25.6),
        (4,),
        ("GND",),
    ),
    Sin(
        "separate ground at the field cable",
        "GND_IO is joined to GND by one resistor and one capacitor, and the bus controller's lines cross between them",
        "split-ground-at-cable",
        (27.2, 44.0),
        (1, 2),
        ("BUS_SCK", "BUS_MOSI", "BUS_CS", "BUS_MISO", "GND_IO", "GND"),
    ),
    Sin(
        "memory bus of the wrong impedance, open at its end",
        "0.15 mm over 0.2 mm of dielectric is some 74 ohm, driven with 45 ohm and not terminated",
        "long-line-unterminated",
        (83.2, 31.0),
        (1, 4),
        ("MEM_D1", "MEM_D3", "MEM_D5", "MEM_D7"),
    ),
    Sin(
        "antenna line too narrow",
        "0.2 mm over 0.2 mm of dielectric is some 66 ohm, 50 ohm is wanted",
        "impedance-off-target",
        (80.0, 49.75),
        (1,),
        ("RF_ANT",),
    ),
    Sin(
        "reference clock beyond the plane's edge",
        "CLK_REF runs along the upper edge 0.2 mm outside the ground plane for 16 mm",
        "trace-off-plane",
        (55.0, 59.2),
        (1, 2),
        ("CLK_REF",),
    ),
    Sin(
        "pour close beside the reference clock",
        "ground on layer 1 lies 0.1 mm from CLK_REF on both sides for 14 mm",
        "pour-shifts-impedance",
        (46.7, 50.0),
        (1,),
        ("CLK_REF",),
    ),
)

SETTINGS = """\
# What the reviewer of Bogbean knows and the layout data do not say. Both revisions share it.

[review]
title = "Bogbean, wetland gas-flux node"
recipient = "the layout team"
standard = "CISPR 32 class B"
distance_m = 3.0

# 120 MHz memory clock, data on both edges
[nets."CLK_MEM_SRC"]
kind = "clock"
clock_mhz = 120.0
rise_ps = 350.0
swing_v = 1.8
source_ohm = 17.0

[nets."CLK_MEM"]
kind = "clock"
clock_mhz = 120.0
rise_ps = 350.0
swing_v = 1.8
source_ohm = 50.0
target_ohm = 50.0

[patterns."MEM_D*"]
kind = "data"
data_mbps = 240.0
rise_ps = 400.0
swing_v = 1.8
source_ohm = 45.0

[nets."MEM_CS"]
kind = "data"
data_mbps = 20.0
rise_ps = 400.0
swing_v = 1.8
source_ohm = 45.0

# the controller gives the radio its 26 MHz reference
[nets."CLK_REF_SRC"]
kind = "clock"
clock_mhz = 26.0
rise_ps = 300.0
swing_v = 3.3
source_ohm = 17.0

[nets."CLK_REF"]
kind = "clock"
clock_mhz = 26.0
rise_ps = 300.0
swing_v = 3.3
source_ohm = 50.0
target_ohm = 50.0

# 2.44 GHz carrier of 10 mW in 50 ohm; its rise time is that of the sine
[patterns."RF_*"]
kind = "clock"
clock_mhz = 2440.0
rise_ps = 120.0
swing_v = 2.0
source_ohm = 50.0
target_ohm = 50.0

[patterns."RADIO_*"]
kind = "data"
data_mbps = 16.0
rise_ps = 1500.0
swing_v = 3.3
source_ohm = 40.0

# the field bus controller's host port
[nets."BUS_SCK"]
kind = "clock"
clock_mhz = 20.0
rise_ps = 1500.0
swing_v = 3.3
source_ohm = 40.0

[patterns."BUS_*"]
kind = "data"
data_mbps = 20.0
rise_ps = 1500.0
swing_v = 3.3
source_ohm = 40.0

# the sensors' bus at 100 kHz, its falling edges slowed by the controller
[nets."I2C_SCL"]
kind = "clock"
clock_mhz = 0.1
rise_ps = 120000.0
swing_v = 3.3
source_ohm = 35.0

[nets."I2C_SDA"]
kind = "data"
data_mbps = 0.1
rise_ps = 120000.0
swing_v = 3.3
source_ohm = 35.0

[patterns."FIELD_*"]
kind = "data"
data_mbps = 10.0
rise_ps = 10000.0
swing_v = 2.0
source_ohm = 54.0

# the controller's control lines, set to its slower edges
[patterns."LED_*"]
kind = "data"
data_mbps = 4.0
rise_ps = 1500.0
swing_v = 3.3
source_ohm = 40.0

# the shift register's outputs switch all at once, 5 V with the edges of its family
[patterns."LED_[1-8]"]
kind = "slow"
rise_ps = 2000.0
swing_v = 5.0
source_ohm = 30.0

[nets."BUCK_SW"]
kind = "clock"
clock_mhz = 1.1
rise_ps = 5000.0
swing_v = 12.0
source_ohm = 0.1

[connectors.J1]
cable = true
length_m = 10.0
shielded = false

[connectors.J2]
cable = true
length_m = 0.8
shielded = false

[connectors.J3]
cable = true
length_m = 0.2
shielded = true

[connectors.J4]
cable = false
"""
