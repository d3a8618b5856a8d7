"""Net roles and differential pairs: names, copper and parts, alone and against each other."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import box

from quietcopper.board import Areas, Board, Dielectric, Layer, Pads, Parts, Pins, Traces, Vias
from quietcopper.electrical.names import AGAINST, name_hint, pair_names
from quietcopper.electrical.roles import differential_pairs, net_roles
from quietcopper.electrical.settings import NetSettings, Settings

MM = 1e-3


@dataclass
class Sketch:
    """A 50 mm square four-layer board, said net by net; places matter only to traces."""

    nets: dict[str, int] = field(default_factory=lambda: {"": 0})
    parts: list[tuple] = field(default_factory=list)
    pins: list[tuple] = field(default_factory=list)
    areas: list[tuple] = field(default_factory=list)
    traces: list[tuple] = field(default_factory=list)
    vias: list[tuple] = field(default_factory=list)

    def net(self, name: str) -> int:
        return self.nets.setdefault(name, len(self.nets))

    def part(self, ref: str, *nets: str, value: str = "", package: str = "") -> None:
        row = len(self.parts)
        self.parts.append((ref, value, package, 0, 0.0, 0.0, 0.0))
        self.pins += [(row, str(i), self.net(net), 0.0, 0.0, 0) for i, net in enumerate(nets, 1)]

    def plane(self, net: str, layer: int, share: float) -> None:
        self.areas.append((self.net(net), layer, box(0, 0, 50 * MM, 50 * MM * share)))

    def trace(self, net: str, *points_mm: tuple[float, float], layer: int = 0) -> None:
        for (x0, y0), (x1, y1) in pairwise(points_mm):
            ends = [v * MM for v in (x0, y0, x1, y1)]
            self.traces.append((self.net(net), layer, *ends, np.nan, np.nan, 0, 0.2 * MM))

    def via(self, net: str, count: int = 1) -> None:
        self.vias += [(self.net(net), 0.0, 0.0, 0.0, 0.0, 0.3 * MM, 0, 3, True, np.nan, -1)] * count

    def build(self, **changes) -> Board:
        return Board(
            name="sketch",
            source="",
            layers=tuple(Layer(f"L{i}", 35e-6) for i in range(1, 5)),
            dielectrics=(Dielectric(0.2 * MM, 4.3, 0.02),) * 3,
            nets=tuple(self.nets),
            outline=box(0, 0, 50 * MM, 50 * MM),
            parts=Parts.from_rows(self.parts),
            pins=Pins.from_rows(self.pins),
            areas=Areas.from_rows(self.areas),
            traces=Traces.from_rows(self.traces),
            vias=Vias.from_rows(self.vias),
            **changes,
        )


def wide(places: int, widths: tuple[float, ...], parts: bool = False) -> Board:
    """Ground, eight lines 0.15 mm wide, and one net in some widths (mm) to so many pads; with a part, or none."""
    s = Sketch()
    s.plane("N1", 1, 0.9)
    for i in range(8):
        s.trace(f"N{i + 2}", (1, i), (40, i))
    s.traces = [(*row[:-1], 0.15 * MM) for row in s.traces]
    for i, width in enumerate(widths):
        s.trace("N99", (1, 20 + i), (30, 20 + i))
        s.traces[-1] = (*s.traces[-1][:-1], width * MM)
    if parts:
        s.part("U1", "N1", "N99")
    at = np.arange(places) * MM
    square = box(-MM / 4, -MM / 4, MM / 4, MM / 4)
    pads = Pads.from_rows([(s.net("N99"), 0, x, 0.02, square, -1, -1) for x in at.tolist()])
    return s.build(pads=pads)


def roles_of(board: Board, settings: Settings | None = None):
    return dict(zip(board.nets, net_roles(board, settings or Settings()), strict=True))


def rail(name: str, against: str) -> Board:
    """A net with what rails have: six pins, two capacitors to `against`, some poured copper."""
    s = Sketch()
    s.part("U1", name, against, "DATA7", name)
    s.part("U2", name, against, "DATA7", name)
    s.part("C1", name, against, value="100n")
    s.part("C2", name, against, value="1u")
    s.plane(name, 2, 0.1)
    s.plane(against, 1, 0.9 if against == "GND" else 0.05)
    return s.build()


def line(name: str) -> Board:
    """A net with what signals have: two pins and a trace, on a board with ground and supply."""
    s = Sketch()
    s.part("U1", name, "GND", "3V3")
    s.part("U2", name, "GND", "3V3")
    s.part("C1", "3V3", "GND", value="100n")
    s.plane("GND", 1, 0.9)
    s.trace(name, (1, 1), (20, 1))
    return s.build()


GROUND_NAMES = """
GND AGND DGND PGND SGND GNDA GNDD GND1 GNDPLL0 VSS VSSA VSS_PLL DVSS 0V CHASSIS EARTH Earth CHGND GND_ISO ISO_GND
RFGND USB_GND GND_USB MCU_GND_2 GROUND gnd LED_GND GND_LED 12V_RTN GND_3V3 PE COM RTN /Shield BAT- PWR-
"""
SUPPLY_NAMES = """
VCC VDD VEE VBAT VIN VBUS VSYS AVDD DVDD VDDIOR PAD_VDD_IO VCCINT VCC_INT VCCAUX /VCCPLL VCORE VTTL VTT +BATT BAT+ VIO
VIOA +VPGA -VBIAS VDD_ADC VCC_LED VOUT VREF Vcc VccIO BUS_VCC NVCC_SD VPP VCC12 PWR DC_IN_1
"""
SUPPLY_VOLTAGES = """
+3V3 3.3  3.3V 3.3  1V8 1.8  +12V 12  -5V -5  5V 5  5V0 5  P3V3 3.3  N12V -12  3P3V 3.3  V3P3 3.3  VCC3V3 3.3  12V1 12
VDD_1V8 1.8  VDD33 3.3  VCC_3V3 3.3  VDD12 1.2  USB_5V 5  +5V_USB 5  3V3_CLK 3.3  CAN_5V 5  24VDC 24  +3.3VD 3.3
/ADC/+1V8A 1.8  1.1V_CPUX 1.1  3.0V_RTC 3  PVDD_1P8 1.8  VDDA_3.3 3.3  0V75 0.75  VDD_CORE_0V9 0.9
"""
SIGNAL_NAMES = """
GND_SENSE GNDSENSE GND_DET AGND_SNS PGOOD PG_1V8 VDD_PG VCC_EN VCCEN ENVDD 3V3_EN 1V2EN 3V3EN EN_3V3 5V_EN VBUS_DET
VBUSDET VBAT_SENSE VBAT_ADC VIN_SNS 5V_FAULT VBUS_VALID VBUS_EN 12V_FAN_TACH SDA_1V8 UART_TX_3V3 RESET_3V3 CLK_1V8 VSYNC
GPIO_1V8_3 VIDEO VCO VTUNE VFB VSENSE VALID PWR_LED PWR_BTN POWER_ON LED_GND GND_LED VREF VOUT SHIELD_1 COM_A USB_D+
NetC39_1 N$12 D0 CLOCK VID0 PWRGD GNDLED_EN VBB Net-(D1-K)
"""
GROUNDS, SIGNALS = GROUND_NAMES.split(), SIGNAL_NAMES.split()
_FIGURES = SUPPLY_VOLTAGES.split()
SUPPLIES: dict[str, float | None] = dict.fromkeys(SUPPLY_NAMES.split())
SUPPLIES |= dict(zip(_FIGURES[::2], map(float, _FIGURES[1::2]), strict=True))


@pytest.mark.parametrize("name", GROUNDS)
def test_ground_names_borne_out(name):
    role = roles_of(rail(name, "VCC"))[name]
    assert role.kind == "ground", role.reason
    assert role.voltage is None
    assert name.rpartition("/")[2] in role.reason


@pytest.mark.parametrize(("name", "volts"), SUPPLIES.items())
def test_supply_names_borne_out(name, volts):
    role = roles_of(rail(name, "GND"))[name]
    assert (role.kind, role.voltage) == ("supply", volts), role.reason


@pytest.mark.parametrize("name", SIGNALS)
def test_names_that_only_look_like_rails(name):
    role = roles_of(line(name))[name]
    assert role.kind == "signal", role.reason


def test_the_table_of_names_is_long_enough():
    assert len(GROUNDS) + len(SUPPLIES) + len(SIGNALS) >= 120


@pytest.mark.parametrize("name", ["VCC", "+3V3", "GND", "AGND", "VDD_1V8"])
def test_sure_names_need_no_support(name):
    s = Sketch()
    s.part("U1", name, "X", "Y")
    assert roles_of(s.build())[name].kind == ("ground" if "GND" in name else "supply")


def test_a_modified_name_gives_way_to_a_plane_with_many_pins():
    s = Sketch()
    for i in range(6):
        s.part(f"U{i}", "GND_SENSE", "VCC", "GND_SENSE", f"D{i}")
    s.plane("GND_SENSE", 1, 0.8)
    role = roles_of(s.build())["GND_SENSE"]
    assert role.kind == "ground"
    assert "but its copper is a plane" in role.reason


def test_vss_is_a_negative_rail_where_capacitors_tie_it_to_a_larger_ground():
    s = Sketch()
    s.part("U1", "VSS", "VDD", "GND", "IN")
    s.part("U2", "GND", "VDD", "IN", "GND")
    s.part("C1", "VSS", "GND", value="100n")
    s.part("C2", "VDD", "GND", value="100n")
    s.plane("GND", 1, 0.9)
    role = roles_of(s.build())["VSS"]
    assert role.kind == "supply"
    assert "1 capacitor tie" in role.reason
    assert roles_of(rail("VSS", "VDD"))["VSS"].kind == "ground"


def test_vss_is_a_negative_rail_where_amplifiers_have_ground_as_well():
    s = Sketch()
    for i in range(3):
        s.part(f"U{i}", "VSS", "VDD", "GND", "IN", f"OUT{i}")
    s.part("J1", "GND", "GND", "VDD", "IN")
    s.plane("GND", 1, 0.9)
    assert roles_of(s.build())["VSS"].kind == "supply"


def unnamed(ground: str = "N001", supply: str = "N002", **changes) -> Board:
    """Two planes, one with more pins, vias and decoupling; no name says anything."""
    s = Sketch()
    for i in range(4):
        s.part(f"U{i}", ground, ground, supply, "N003", f"N01{i}")
        s.part(f"C{i}", ground, supply, value="100n")
    s.part("J1", "N003", ground, ground)
    s.plane(supply, 2, 0.9)
    s.plane(ground, 1, 0.9)
    s.via(ground, 40)
    s.via(supply, 12)
    s.via("N003", 2)
    return s.build(**changes)


@pytest.mark.parametrize("names", [("N001", "N002"), ("$1N9", "$1N4"), ("NetR1_1", "NetC4_2")])
def test_copper_pins_and_capacitors_decide_where_names_say_nothing(names):
    roles = roles_of(unnamed(*names))
    ground, supply = roles[names[0]], roles[names[1]]
    assert (ground.kind, supply.kind, roles["N003"].kind) == ("ground", "supply", "signal")
    assert "the most copper, pins, vias and capacitors together; no net has a ground's name" in ground.reason
    assert "areas over 90 % of layer 2" in ground.reason
    assert "capacitor" in supply.reason


def test_plain_copper_without_pins_and_parts():
    s = Sketch()
    s.plane("N1", 1, 0.9)
    s.plane("N2", 2, 0.4)
    s.via("N1", 30)
    s.via("N2", 5)
    s.trace("N3", (0, 0), (10, 0))
    roles = roles_of(s.build())
    assert [roles[n].kind for n in ("N1", "N2", "N3")] == ["ground", "supply", "signal"]


def test_two_layer_board_without_any_area():
    s = Sketch()
    for i in range(4):
        s.part(f"U{i}", "N1", "N2", "N3", "N4")
        s.part(f"C{i}", "N1", "N2", value="100n")
    roles = roles_of(s.build())
    assert roles["N1"].kind == "ground"
    assert roles["N2"].kind == "supply"
    assert roles["N3"].kind == roles["N4"].kind == "signal"


def test_no_ground_is_invented():
    s = Sketch()
    s.part("R1", "A", "B", value="10k")
    s.part("R2", "B", "C", value="10k")
    s.part("J1", "A", "B", "C")
    assert {r.kind for n, r in roles_of(s.build()).items() if n} == {"signal"}


def test_large_switching_copper_is_no_supply():
    s = Sketch()
    s.part("U1", "VIN", "GND", "SW", "FB")
    s.part("L1", "SW", "VOUT", value="4u7")
    s.part("C1", "VOUT", "GND", value="22u")
    s.part("C2", "VIN", "GND", value="10u")
    s.plane("GND", 1, 0.9)
    s.plane("SW", 0, 0.04)
    s.plane("VOUT", 0, 0.1)
    roles = roles_of(s.build())
    assert roles["SW"].kind == "signal"
    assert roles["VOUT"].kind == "supply"


def test_a_signal_name_with_capacitors_and_copper_is_no_supply():
    s = Sketch()
    for i in range(4):
        s.part(f"U{i}", "XTALIN", "GND", "XTALIN")
        s.part(f"C{i}", "XTALIN", "GND", value="100n")
    s.plane("GND", 1, 0.9)
    s.plane("XTALIN", 0, 0.05)
    assert roles_of(s.build())["XTALIN"].kind == "signal"


def test_a_filtered_supply_without_name_takes_voltage_over_through_two_filters():
    s = Sketch()
    s.part("FB1", "+3V3", "N1", value="600R@100MHz")
    s.part("FB2", "N1", "N2")
    for i, net in enumerate(("N1", "N2")):
        s.part(f"C{i}", net, "GND", value="100n")
        s.part(f"U{i}", net, "GND", "X")
    roles = roles_of(s.build())
    assert (roles["N1"].kind, roles["N1"].voltage) == ("supply", 3.3)
    assert (roles["N2"].kind, roles["N2"].voltage) == ("supply", 3.3)
    assert "behind a series part of '+3V3'" in roles["N1"].reason


def test_regulator_value_gives_the_voltage_of_its_output():
    s = Sketch()
    s.part("U1", "VIN", "GND", "VOUT", value="AB1234K-3.3")
    s.part("C1", "VIN", "GND", value="10u")
    s.part("C2", "VOUT", "GND", value="10u")
    s.part("U2", "VOUT", "GND", "VOUT")
    roles = roles_of(s.build())
    assert roles["VOUT"].voltage == 3.3
    assert roles["VIN"].voltage is None


def test_net_class_of_the_file_is_believed_for_ground_and_power_only():
    board = line("FOO")
    board = replace(board, net_classes={"FOO": "power", "3V3": "signal"})
    roles = roles_of(board)
    assert roles["FOO"].kind == "supply"
    assert "net class power in the file" in roles["FOO"].reason
    assert roles["3V3"].kind == "supply"


def test_settings_overrule_and_say_so():
    settings = Settings(
        nets={"DATA7": NetSettings(role="supply", voltage=2.5)}, patterns={"GN*": NetSettings(role="signal")}
    )
    roles = roles_of(rail("VCC", "GND"), settings)
    assert (roles["DATA7"].kind, roles["DATA7"].voltage, roles["DATA7"].given) == ("supply", 2.5, True)
    assert (roles["GND"].kind, roles["GND"].given) == ("signal", True)
    assert roles["VCC"].given is False
    assert roles["DATA7"].reason == "set in the settings file"


def test_unchecked_settings_that_repeat_the_inference_are_no_users_word():
    said = {"GND": NetSettings(role="ground"), "VCC": NetSettings(role="ground")}
    roles = roles_of(rail("VCC", "GND"), Settings(nets=said, checked=False))
    assert not roles["GND"].given
    assert roles["VCC"].given
    said["GND"] = NetSettings(role="ground", checked=True)
    assert roles_of(rail("VCC", "GND"), Settings(nets=said, checked=False))["GND"].given


@given(st.lists(st.text(min_size=1, max_size=12), min_size=3, max_size=12, unique=True))
def test_any_names_get_a_role_and_a_reason(names):
    s = Sketch()
    s.part("U1", *names)
    s.part("C1", *names[:2], value="100n")
    s.plane(names[0], 1, 0.5)
    for role in roles_of(s.build()).values():
        assert role.kind in ("ground", "supply", "signal", "free")
        assert role.reason


def test_net_zero_is_free_and_every_net_has_a_reason():
    roles = net_roles(unnamed(), Settings())
    assert roles[0].kind == "free"
    assert all(role.reason for role in roles)


def test_roles_do_not_depend_on_place_and_order(move):
    board = unnamed()
    for moved in (move(board, seed=3), move(board, turns=1, mirror=True, shift=(1.0, -2.0), seed=4)):
        kinds = [role.kind for role in net_roles(moved.board, Settings())]
        assert kinds == [role.kind for role in net_roles(board, Settings())]


def test_pin_names_count_less_than_net_names():
    sure, lower = name_hint("VDDCORE"), name_hint("Net-(U5-VDDCORE)")
    assert (sure.level, lower.level) == ("sure", "likely")
    assert name_hint("unconnected-(U2-VCC_RF-Pad14)").kind == ""
    assert name_hint("VBUS_DET").level == AGAINST


def test_the_files_words_for_pins_make_a_supply_of_a_net_with_a_plain_name():
    """The bus supply of a cable's socket called "USB", and one pin of a sensor that a processor's output feeds."""
    s = Sketch()
    s.part("J1", "USB", "USB", "GND", "D+", "D-")
    s.part("C1", "USB", "GND", value="100n")
    s.part("U1", "GATED", "GND", "DATA")
    s.part("U2", "OUT", "GND", "DATA")
    s.part("C2", "OUT", "GND", value="100n")
    s.plane("GND", 1, 0.9)
    words = {("J1", "1"): "VBUS", ("J1", "2"): "VBUS", ("J1", "3"): "GND", ("U1", "1"): "VDD", ("U2", "1"): "VOUT"}
    roles = roles_of(s.build(pin_functions=words))
    assert roles["USB"].kind == "supply"
    assert "2 pins that the file calls 'VBUS'" in roles["USB"].reason
    assert roles["GATED"].kind == "signal"  # one pin, no capacitor
    assert roles["OUT"].kind == "signal"  # an amplifier has a VOUT as well
    assert roles_of(s.build())["USB"].kind == "signal"


# ---- pairs -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("positive", "negative"),
    [
        ("USB_D+", "USB_D-"),
        ("/ICE_USBP", "/ICE_USBN"),
        ("RX0_P", "RX0_N"),
        ("TX_P0", "TX_N0"),
        ("DP", "DM"),
        ("D1A_P", "D1A_N"),
        ("LN3_PAD_RX_P", "LN3_PAD_RX_N"),
        ("MICIN1P", "MICIN1N"),
        ("LVDS_POS", "LVDS_NEG"),
        ("CANH", "CANL"),
        ("USB_H0", "USB_L0"),
        ("RS485_A", "RS485_B"),
        ("DDR_CK_T", "DDR_CK_C"),
        ("DQS0", "DQS0#"),
        ("txp", "txn"),
        ("PA12_USB_D_P", "PA12_USB_D_N"),
        ("LN11_PAD_TX_P_SERIES", "LN11_PAD_TX_N_SERIES"),
    ],
)
def test_pair_names(positive, negative):
    names = ["", "GND", negative, "OTHER", positive]
    assert [(a, b) for a, b, _ in pair_names(names)] == [(4, 2)]


@pytest.mark.parametrize(
    "names",
    [("+5V", "-5V"), ("SPI", "SNI"), ("D0", "D1"), ("N$1", "P$1"), ("RESET", "RESET_N"), ("A", "B"), ("PX", "NX")],
)
def test_names_that_are_no_pair(names):
    assert pair_names(["", *names]) == []


def pair_board(a: str, b: str, *, apart_mm: float = 0.4, shared: bool = True) -> Board:
    s = Sketch()
    s.part("U1", a, b if shared else "X1", "GND")
    s.part("U2", a, "X2", "GND")
    if not shared:
        s.part("U3", b, "X2", "GND")
        s.part("U4", b, "X1", "GND")
    s.trace(a, (5, 10), (40, 10))
    s.trace(b, (5, 10 + apart_mm), (40, 10 + apart_mm))
    return s.build()


def pairs_of(board: Board, settings: Settings | None = None):
    settings = settings or Settings()
    return differential_pairs(board, net_roles(board, settings), settings)


def test_names_shared_part_and_course_make_a_pair():
    board = pair_board("TX_N", "TX_P")
    (pair,) = pairs_of(board)
    assert (board.nets[pair.positive], board.nets[pair.negative]) == ("TX_P", "TX_N")
    assert "names TX_P and TX_N, both on U1, side by side over 100 % of the shorter line" in pair.reason


def test_lines_that_merely_run_close_are_no_pair():
    assert pairs_of(pair_board("D6", "D7")) == ()


def test_names_without_a_shared_part_are_no_pair():
    assert pairs_of(pair_board("CAP", "CAN", shared=False)) == ()


def test_names_on_one_part_but_apart_are_no_pair():
    assert pairs_of(pair_board("TX_P", "TX_N", apart_mm=10.0)) == ()


def test_a_capacitor_across_two_lines_speaks_against_a_pair():
    s = Sketch()
    s.part("U1", "C1+", "C1-", "GND")
    s.part("C1", "C1+", "C1-", value="1u")
    assert pairs_of(s.build()) == ()


def test_the_inputs_of_an_amplifier_are_no_line():
    s = Sketch()
    s.part("U1", "Net-(U1-IN+)", "Net-(U1-IN-)", "GND")
    s.trace("Net-(U1-IN+)", (5, 10), (6, 10))
    s.trace("Net-(U1-IN-)", (5, 10.4), (6, 10.4))
    assert pairs_of(s.build()) == ()


def test_without_parts_the_course_confirms():
    s = Sketch()
    s.trace("TX_P", (5, 10), (40, 10))
    s.trace("TX_N", (5, 10.4), (30, 10.4), (30, 30))
    (pair,) = pairs_of(s.build())
    assert "side by side over" in pair.reason
    far = Sketch()
    far.trace("TX_P", (5, 10), (40, 10))
    far.trace("TX_N", (5, 20), (40, 20))
    assert pairs_of(far.build()) == ()


def test_a_pair_goes_on_beyond_equal_series_parts():
    s = Sketch()
    s.part("U1", "TX_P", "TX_N", "GND")
    s.part("C1", "TX_P", "N1", value="100n")
    s.part("C2", "TX_N", "N2", value="100n")
    s.part("J1", "N1", "N2", "GND")
    for i, (near, far) in enumerate((("TX_P", "N1"), ("TX_N", "N2"))):
        s.trace(near, (5, 10 + 0.4 * i), (15, 10 + 0.4 * i))
        s.trace(far, (16, 10 + 0.4 * i), (40, 10 + 0.4 * i))
    board = s.build()
    found = {(board.nets[p.positive], board.nets[p.negative]): p.reason for p in pairs_of(board)}
    assert set(found) == {("TX_P", "TX_N"), ("N1", "N2")}
    assert found["N1", "N2"] == "beyond C1 and C2 of the pair TX_P"


def test_settings_make_and_forbid_pairs():
    board = pair_board("D6", "D7")
    (pair,) = pairs_of(board, Settings(nets={"D7": NetSettings(pair_with="D6")}))
    assert (board.nets[pair.positive], board.nets[pair.negative]) == ("D7", "D6")
    named = pair_board("TX_P", "TX_N")
    assert pairs_of(named, Settings(nets={"TX_P": NetSettings(pair_with="")})) == ()


def test_where_no_parts_are_listed_a_wide_net_to_many_places_is_a_supply():
    """Rails without a name or parts (common practice, no source: rails are routed wide and branch; lines of low
    impedance have one width and lead to two or three places)."""
    role = roles_of(wide(20, (0.75, 0.45)))["N99"]
    assert role.kind == "supply"
    assert role.reason.startswith("routed mostly 0.75 mm wide, 5 times the usual line, to 20 places")
    assert roles_of(wide(3, (0.75, 0.45)))["N99"].kind == "signal"
    assert roles_of(wide(20, (0.75,)))["N99"].kind == "signal"
    assert roles_of(wide(20, (0.25, 0.2)))["N99"].kind == "signal"
    assert roles_of(wide(20, (0.75, 0.45), parts=True))["N99"].kind == "signal"
