"""What a part is, and its value out of free text."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import box

from quietcopper.board import Board, Layer, Parts, Pins
from quietcopper.electrical.parts import PREFIXES, WORDS, part_kinds, quantity, series_links


def board_of(*parts: tuple[str, str, str, tuple[str, ...]]) -> Board:
    """Parts as (reference, value, package, nets of the pins 1, 2, …)."""
    nets = list(dict.fromkeys(["", *(n for part in parts for n in part[3])]))
    pins = [
        (row, str(i), nets.index(net), 0.0, 0.0, 0)
        for row, part in enumerate(parts)
        for i, net in enumerate(part[3], start=1)
    ]
    return Board(
        name="parts",
        source="",
        layers=(Layer("L1", 35e-6),),
        dielectrics=(),
        nets=tuple(nets),
        outline=box(0, 0, 1, 1),
        parts=Parts.from_rows([(ref, value, package, 0, 0.0, 0.0, 0.0) for ref, value, package, _ in parts]),
        pins=Pins.from_rows(pins),
    )


@pytest.mark.parametrize(
    ("text", "unit", "expected"),
    [
        ("100n", "F", 100e-9),
        ("100nF", "F", 100e-9),
        ("0.1uF", "F", 100e-9),
        ("0,1µF", "F", 100e-9),
        ("0.1", "F", 100e-9),
        ("4u7", "F", 4.7e-6),
        ("100nF/16V", "F", 100e-9),
        ("100nF_16V", "F", 100e-9),
        ("10uF 25V X5R", "F", 10e-6),
        ("10NF", "F", 10e-9),
        ("22p", "F", 22e-12),
        ("CAPACITORS_MASTER-4.7UF", "F", 4.7e-6),
        ("CAPACITOR-53.4P", "F", 53.4e-12),
        ("Chip Capacitor, 100 nF, +/- 10%, 6.3 V, 0201 (0603 Metric)", "F", 100e-9),
        ("0603 100nF", "F", 100e-9),
        ("104", "F", None),
        ("100", "F", None),
        ("DNP", "F", None),
        ("", "F", None),
        ("CAPC1005X55X10LL05", "F", None),
        ("4k7", "ohm", 4700.0),
        ("4R7", "ohm", 4.7),
        ("R47", "ohm", 0.47),
        ("0R", "ohm", 0.0),
        ("0", "ohm", 0.0),
        ("33", "ohm", 33.0),
        ("10K 1%", "ohm", 10e3),
        ("R-0402-10K", "ohm", 10e3),
        ("0402 10K", "ohm", 10e3),
        ("0402", "ohm", None),
        ("1M", "ohm", 1e6),
        ("10m", "ohm", 0.01),
        ("22 ohm", "ohm", 22.0),
        ("22Ω", "ohm", 22.0),
        ("RESISTOR-1200", "ohm", 1200.0),
        ("Chip Resistor, 4.7 KOhm, +/- 1%, 0.1 W", "ohm", 4700.0),
        ("600R@100MHz", "ohm", 600.0),
        ("RESC1005X40X25LL05T05", "ohm", None),
        ("LM6685", "ohm", None),
        ("12.000MHz", "Hz", 12e6),
        ("25MHZ", "Hz", 25e6),
        ("32.768kHz", "Hz", 32768.0),
        ("32k768", "Hz", 32768.0),
        ("Crystal, SMD, 24MHz, Stab=30ppm 20.0pF", "Hz", 24e6),
        ("4.7uH", "H", 4.7e-6),
        ("2u2", "H", 2.2e-6),
    ],
)
def test_values_out_of_free_text(text, unit, expected):
    assert quantity(text, unit) == expected


@given(st.text(max_size=40), st.sampled_from(["F", "ohm", "H", "Hz"]))
def test_any_text_gives_a_finite_value_or_none(text, unit):
    value = quantity(text, unit)
    assert value is None or (math.isfinite(value) and value >= 0)


@given(st.integers(1, 999), st.sampled_from([("p", 1e-12), ("n", 1e-9), ("u", 1e-6)]))
def test_whole_numbers_with_prefix_are_exact(number, prefix):
    letter, scale = prefix
    assert quantity(f"{number}{letter}F", "F") == pytest.approx(number * scale, rel=1e-15)
    assert quantity(f"{number}{letter}", "F") == quantity(f"{number}{letter}F", "F")


AB, ABC = ("A", "B"), ("A", "B", "C")


@pytest.mark.parametrize(
    ("ref", "value", "package", "nets", "kind"),
    [
        ("C12", "100n", "0402", AB, "capacitor"),
        ("R7", "10k", "0402", AB, "resistor"),
        ("R9", "10k", "SIP9", tuple("ABCDEFGHI"), "resistor network"),
        ("RN1", "33", "0612", tuple("ABCDEFGH"), "resistor network"),
        ("L1", "4.7uH", "", AB, "inductor"),
        ("L2", "600R@100MHz", "0603", AB, "ferrite"),
        ("FB3", "BLM18", "0603", AB, "ferrite"),
        ("Y1", "25MHz", "", ("XI", "GND", "XO", "GND"), "crystal"),
        ("Y2", "25MHz", "", ("EN", "GND", "OUT", "VCC"), "oscillator"),
        ("Y3", "Crystal Oscillator 24MHz", "FQ5032", ("N1", "GND", "N2", "GND"), "crystal"),
        ("X1", "12MHz", "HC-49", AB, "crystal"),
        ("X2", "", "3225-4", ("N1", "N2", "N3", "N2"), "crystal"),
        ("X3", "", "PINHEADER_1x02", AB, "connector"),
        ("J1", "", "USB_C", tuple("ABCDEFG"), "connector"),
        ("P1", "", "PCIe mini golden finger", tuple("ABCDEFG"), "connector"),
        ("CN4", "", "", AB, "connector"),
        ("D1", "", "SOD-123", AB, "diode"),
        ("D2", "LED_RED", "0603", AB, "LED"),
        ("DS1", "", "", AB, "LED"),
        ("LED5", "", "", AB, "LED"),
        ("Q1", "BSS138", "SOT-23", ABC, "transistor"),
        ("T1", "", "", tuple("ABCDEF"), "transformer"),
        ("U1", "", "LQFP64", tuple("ABCDEFGH"), "IC"),
        ("U2", "led driver", "SOIC8", tuple("ABCDEFGH"), "IC"),
        ("IC3", "", "", ABC, "IC"),
        ("ZZ9", "", "TSSOP-14", tuple("ABCDEFGHIJKLMN"), "IC"),
        ("TP4", "", "", ("A",), "test point"),
        ("SW1", "", "", AB, "switch"),
        ("F1", "500mA", "1206", AB, "fuse"),
        ("AE1", "", "", ("A",), "antenna"),
        ("JP1", "", "", AB, "jumper"),
        ("BT1", "", "", AB, "battery"),
        ("K1", "", "", ("A", "B", "C", "D", "E"), "relay"),
        ("H1", "MountingHole_3.2mm", "", (), "mechanical"),
        ("H2", "", "", ("A", "B", "C"), "connector"),
        ("OR1", "", "SHIELD", (), "mechanical"),
        ("VR1", "", "", AB, "varistor"),
        ("VR2", "7805", "TO-220", ABC, "IC"),
        ("HDMI1", "", "", tuple("ABCDEFG"), "connector"),
        ("PWRLED1", "", "", AB, "LED"),
        ("RESET1", "", "", AB, "switch"),
        ("RM15", "", "", tuple("ABCDEFGH"), "resistor network"),
        ("SHLD1001_2", "", "", (), "mechanical"),
        ("?", "", "", (), "unknown"),
    ],
)
def test_kinds(ref, value, package, nets, kind):
    found = part_kinds(board_of((ref, value, package, nets)))[0]
    assert found.kind == kind, found.reason
    assert found.reason
    assert found.pins == len(nets)


def test_values_belong_to_the_kind():
    kinds = part_kinds(
        board_of(("C1", "100n", "", AB), ("R1", "100R", "", AB), ("Y1", "8MHz", "", AB), ("U1", "4k7", "", ABC))
    )
    assert [k.value for k in kinds] == [100e-9, 100.0, 8e6, None]


def test_nets_of_a_part_are_distinct_and_without_net_zero():
    (kind,) = part_kinds(board_of(("U1", "", "", ("A", "", "B", "A"))))
    assert len(kind.nets) == 2
    assert 0 not in kind.nets


def test_series_links_follow_small_resistors_ferrites_coupling_capacitors_and_networks():
    board = board_of(
        ("R1", "33", "", ("A", "B")),
        ("R2", "10k", "", ("B", "C")),
        ("R3", "", "", ("C", "D")),
        ("FB1", "", "", ("D", "E")),
        ("C1", "100n", "", ("E", "F")),
        ("C2", "22p", "", ("F", "G")),
        ("RN1", "22", "", ("H1", "H2", "H3", "H4", "K4", "K3", "K2", "K1")),
        ("R4", "33", "", ("A", "A")),
    )
    found = {(board.nets[k.a], board.nets[k.b]): k.ohm for k in series_links(board, part_kinds(board))}
    assert found == {
        ("A", "B"): 33.0,
        ("C", "D"): None,
        ("D", "E"): 0.0,
        ("E", "F"): 0.0,
        **{(f"H{i}", f"K{i}"): 22.0 for i in range(1, 5)},
    }


def test_every_word_and_letter_leads_to_a_kind():
    assert all(kind for _, kind in WORDS)
    assert all(letters == letters.upper() for letters in PREFIXES)
