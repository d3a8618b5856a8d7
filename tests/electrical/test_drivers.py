"""What drives a net: kinds by part and name, swings by supply, series parts, settings, and counted assumptions."""

from __future__ import annotations

import dataclasses
import os
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietcopper.board import Board
from quietcopper.build import BoardBuilder, chip, led, small_board, soic
from quietcopper.electrical.drivers import FIGURES, driver_assumptions, net_drivers
from quietcopper.electrical.families import frequency_in, name_family
from quietcopper.electrical.roles import net_roles
from quietcopper.electrical.settings import NetSettings, Settings


@pytest.fixture
def boards_folder() -> Path:
    """Real boards beside the checkout, for tests only."""
    beside = Path(__file__).resolve().parents[3] / "shared" / "boards"
    folder = Path(os.environ.get("QUIETCOPPER_BOARDS", beside))
    if not folder.is_dir():
        pytest.skip(f"no boards in {folder.name}: set QUIETCOPPER_BOARDS")
    return folder


def drivers_of(board: Board, settings: Settings | None = None):
    settings = settings or Settings()
    return dict(zip(board.nets, net_drivers(board, net_roles(board, settings), settings), strict=True))


def two_chips(*nets: str, supplies: tuple[str, str] = ("+3V3", "+3V3"), value: str = "") -> BoardBuilder:
    """Up to six nets from U1 to U2, each part with its own supply and ground."""
    b = small_board(layers=4, ground=(2,))
    for ref, at, supply in (("U1", (12, 15), supplies[0]), ("U2", (38, 15), supplies[1])):
        b.part(ref, soic(8), at, nets=(*nets, *[""] * (6 - len(nets)), "GND", supply), value=value)
    for i, supply in enumerate(dict.fromkeys(supplies), 1):
        b.part(f"C{i}", chip("0402"), (25, 3 * i), nets=(supply, "GND"), value="100n")
    return b


@pytest.mark.parametrize(
    ("name", "kind", "rate"),
    [
        ("CLK", "clock", 25e6),
        ("CLK_50M", "clock", 50e6),
        ("MCLK_24M576", "clock", 24.576e6),
        ("SPI_CLK", "clock", 10e6),
        ("SCK", "clock", 10e6),
        ("ADC_SCLK", "clock", 10e6),
        ("I2C1_SCL", "clock", 400e3),
        ("HDMI_DDCCLK", "clock", 100e3),
        ("C_HDMI_SCL", "clock", 100e3),
        ("HDMI_DDCDAT", "data", 50e3),
        ("ICLK_SATA_TERMP", "slow", 1e3),
        ("SDA", "data", 200e3),
        ("JTAG_TCK", "clock", 10e6),
        ("PC14_SPW_SWCLK", "clock", 10e6),
        ("RMII_REF_CLK", "clock", 50e6),
        ("RGMII_TXC", "clock", 125e6),
        ("RMII_TX_EN", "data", 25e6),
        ("OSC32_IN", "clock", 32768.0),
        ("XTAL1", "clock", 25e6),
        ("DDR_CK", "clock", 400e6),
        ("eMMC_CLK", "clock", 50e6),
        ("CLK_EN", "slow", 1e3),
        ("LED_R", "slow", 1e3),
        ("nRST", "slow", 1e3),
        ("JTAG_TRST*", "slow", 1e3),
        ("BOOT0", "slow", 1e3),
        ("VCC_EN", "slow", 1e3),
        ("PGOOD", "slow", 1e3),
        ("HDMI_HPD", "slow", 1e3),
        ("USB_D+", "data", 6e6),
        ("PA12_USB_D_P", "data", 6e6),
        ("LN3_PAD_RX_P", "data", 500e6),
        ("UART_TX", "data", 57.6e3),
        ("MOSI", "data", 5e6),
        ("CANH", "data", 250e3),
        ("SDC0-CMD", "data", 25e6),
        ("AIN0", "slow", 1e3),
        ("ATTEN_1", "slow", 1e3),
        ("BATT_SENSE", "slow", 1e3),
        ("VREF", "slow", 1e3),
        ("RF_ANT", "slow", 1e3),
        ("/PGA_CSn_1", "data", 5e6),
        ("PGA_SDIO", "data", 5e6),
        ("Net-(U22-NR{slash}SS)", "slow", 1e3),
        ("TWI1-SCK", "clock", 400e3),
        ("AP-CK32KO", "clock", 32768.0),
        ("S0SDQS1_N", "clock", 400e6),
        ("FP_PWRBTN", "slow", 1e3),
        ("RTCRST_L", "slow", 1e3),
        ("PMC_SLP_S3_L", "slow", 1e3),
        ("HDMI_DCDC_ENB", "slow", 1e3),
        ("/DC_CPL_1", "slow", 1e3),
        ("/TERM_2", "slow", 1e3),
        ("VSUMN", "slow", 1e3),
        ("S0SDQ17", "data", 66e6),
        ("GRXCK", "clock", 25e6),
        ("Net-(U18E-MGTRREF_216)", "slow", 1e3),
    ],
)
def test_kind_and_rate_by_name(name, kind, rate):
    family = name_family(name)
    assert (family.kind, family.rate) == (kind, rate)


@pytest.mark.parametrize(
    "name",
    [
        "D0",
        "GPIO1",
        "BLOCK",
        "TOKEN",
        "BURST",
        "GREEN",
        "NetR9_2",
        "N$12",
        "OUT1",
        "",
        "Net-(HDMI1-Pad19)",
        "Net-(MIPI-DSI1-Pad16)",
        "GTXD0",
    ],
)
def test_names_of_no_known_kind(name):
    assert name_family(name) is None


def test_a_differential_partner_makes_a_lane_of_tx_and_rx():
    assert name_family("RX0_P").name == "a data line"
    assert name_family("RX0_P", paired=True).name == "a serial lane"
    assert name_family("REFCLK_P", paired=True).name == "a differential clock"
    assert name_family("USB_D_P", paired=True).swing == 3.3


@given(st.text(max_size=30), st.booleans())
def test_any_name_has_sensible_figures_or_none(name, paired):
    family = name_family(name, paired)
    if family is not None:
        assert family.rise > 0
        assert family.source > 0
        assert family.rate > 0
        assert family.swing is None or family.swing > 0
    rate = frequency_in(name)
    assert rate is None or rate >= 0


def test_grounds_supplies_and_dead_ends_are_not_driven():
    b = two_chips("CLK", "D0")
    b.part("U3", soic(8), (25, 24), nets=("LONELY", "NC1", "", "", "", "", "GND", "+3V3"))
    d = drivers_of(b.build())
    for net, words in (
        ("GND", "a ground net"),
        ("+3V3", "a supply net"),
        ("", "a free net"),
        ("LONELY", "one pin only"),
        ("NC1", "unconnected, as its name says"),
    ):
        assert (d[net].kind, d[net].swing, d[net].rate, d[net].reason) == ("none", 0.0, 0.0, words)
        assert d[net].assumed == ()
    assert d["CLK"].kind == "clock"


def test_a_named_net_with_one_pin_and_a_long_trace_stays():
    b = small_board(layers=2)
    b.part("U1", soic(8), (12, 15), nets=("CLK_OUT", "N1", "GND", "GND", "GND", "GND", "GND", "VCC"))
    b.route("CLK_OUT", "U1.1", (40, 5))
    b.route("N1", "U1.2", (40, 25))
    d = drivers_of(b.build())
    assert d["CLK_OUT"].kind == "clock"
    assert d["N1"].kind == "none"


def test_swing_of_the_only_supply_is_no_assumption():
    d = drivers_of(two_chips("CLK", supplies=("+1V8", "+1V8")).build())["CLK"]
    assert d.swing == 1.8
    assert "swing of the only logic supply of U1 and U2" in d.reason
    assert d.assumed == ("rise", "source", "rate")


def test_swing_of_two_parts_is_their_common_supply():
    b = two_chips("D0", "+1V8", supplies=("+3V3", "+3V3"))
    b.part("C9", chip("0402"), (25, 20), nets=("+1V8", "GND"), value="100n")
    d = drivers_of(b.build())["D0"]
    assert d.swing == 1.8  # the lowest that both have
    assert "swing" in d.assumed
    d = drivers_of(two_chips("D0", supplies=("+2V5", "+3V3")).build())["D0"]
    assert "swing" in d.assumed


def test_without_a_known_supply_the_swing_is_assumed():
    d = drivers_of(two_chips("D0", supplies=("VCC", "VCC")).build())["D0"]
    assert d.swing == 3.3
    assert "swing" in d.assumed


def test_a_core_supply_alone_does_not_tell_the_swing():
    b = two_chips("D0", "VDDIO", supplies=("+1V1", "+1V1"))
    b.part("C9", chip("0402"), (25, 20), nets=("VDDIO", "GND"), value="100n")
    d = drivers_of(b.build())["D0"]
    assert d.swing == 3.3
    assert "swing" in d.assumed


def test_kind_follows_series_resistors_for_two_hops():
    b = small_board(layers=4, ground=(2,))
    b.part("U1", soic(8), (8, 15), nets=("CLK", "", "", "", "", "", "GND", "+3V3"))
    b.part("R1", chip("0402"), (14, 13), nets=("CLK", "N1"), value="33")
    b.part("R2", chip("0402"), (22, 13), nets=("N1", "N2"), value="0R")
    b.part("R3", chip("0402"), (30, 13), nets=("N2", "N3"), value="22")
    b.part("U2", soic(8), (42, 15), nets=("N1", "N2", "N3", "", "", "", "GND", "+3V3"))
    b.route("CLK", "U1.1", "R1.1")
    b.route("N1", "R1.2", "R2.1", "U2.1")
    board = b.build()
    d = drivers_of(board)
    assert [d[n].kind for n in ("CLK", "N1", "N2", "N3")] == ["clock", "clock", "clock", "data"]
    assert d["CLK"].source == 35.0
    assert d["N1"].source == 68.0
    assert "behind R1 from 'CLK'; " in d["N1"].reason
    assert "source with 33 ohm of R1" in d["N1"].reason


def test_an_indicator_behind_its_resistor_is_slow_and_nobody_hurries_its_edge():
    b = two_chips("N1", "D0")
    b.part("R1", chip("0402"), (20, 22), nets=("N1", "N2"), value="330")
    b.part("D1", led("0603"), (26, 22), nets=("N2", "GND"), value="LED, green")
    d = drivers_of(b.build())
    assert (d["N1"].kind, d["N2"].kind) == ("slow", "slow")
    assert d["N2"].rise == d["N1"].rise == 10e-9
    assert d["D0"].rise == 1e-9
    assert d["N2"].swing == 3.3
    assert d["N2"].source == 365.0
    assert d["N1"].source == 35.0


def test_what_switches_an_attenuator_swings_like_logic_and_the_divider_does_not():
    assert name_family("ATTEN_1").name == "a slow logic line"
    assert name_family("/CH1/ATTEN_50X_OUT").name == "an analog line"


def test_a_beeper_of_a_timer_swings_like_logic():
    """SPKR is the output of a timer, no small analog voltage (common practice of computer boards, no source)."""
    assert name_family("ILB_8254_SPKR") is name_family("BUZZER")
    assert name_family("ILB_8254_SPKR").swing is None
    assert name_family("MIC_P").swing == 0.1


def test_a_line_that_ends_at_a_diode_alone_is_slow():
    """A diode hears no edges: an indicator whose part the data do not name, or a clamp."""
    b = two_chips("D0")
    b.part("U9", chip("0402"), (30, 5), nets=("N7", "GND"))
    b.part("D1", chip("0603"), (26, 22), nets=("N7", "N8"))
    b.part("R9", chip("0402"), (40, 22), nets=("N8", "D0"), value="10k")
    driver = drivers_of(b.build())["N7"]
    assert driver.kind == "slow"
    assert "diode" in driver.reason


def test_nothing_switches_an_indicator_on_the_supply():
    b = two_chips("D0")
    b.part("R1", chip("0402"), (20, 22), nets=("+3V3", "LED_A"), value="330")
    b.part("D1", led("0603"), (26, 22), nets=("LED_A", "GND"))
    d = drivers_of(b.build())["LED_A"]
    assert (d.kind, d.swing) == ("slow", 0.1)
    assert "no part on it that could switch it" in d.reason


def test_a_crystal_sends_a_sine_at_its_stated_frequency():
    b = two_chips("D0")
    b.part("Y1", chip("1206"), (25, 26), nets=("N1", "N2"), value="8MHz")
    b.part("U3", soic(8), (32, 24), nets=("N1", "N2", "", "", "", "", "GND", "+3V3"))
    d = drivers_of(b.build())["N1"]
    assert (d.kind, d.rate) == ("clock", 8e6)
    sine = np.arcsin(0.8) / (np.pi * 8e6)  # 10 to 90 % of a sine, from -0.8 to 0.8 of its peak
    assert d.rise == pytest.approx(sine, rel=1e-3)
    assert d.assumed == ("rise", "source", "swing")


def test_the_switched_node_of_a_converter():
    b = small_board(layers=4, ground=(2,))
    b.part("U1", soic(8), (12, 15), nets=("+12V", "SW", "FB", "", "", "", "GND", "GND"))
    b.part("L1", chip("1206"), (22, 15), nets=("SW", "+3V3"), value="4.7uH")
    b.part("C1", chip("0805"), (28, 15), nets=("+3V3", "GND"), value="22u")
    b.part("R1", chip("0402"), (30, 20), nets=("+3V3", "FB"), value="100k")
    d = drivers_of(b.build())
    assert (d["SW"].kind, d["SW"].swing, d["SW"].rate) == ("clock", 12.0, 500e3)
    assert d["FB"].kind == "slow"


def test_the_switched_node_without_name_and_value_has_no_capacitor():
    b = small_board(layers=4, ground=(2,))
    b.part("U1", soic(8), (12, 15), nets=("+12V", "N1", "N2", "", "", "", "GND", "GND"))
    b.part("L1", chip("1206"), (22, 15), nets=("N1", "+3V3"))
    b.part("L2", chip("1206"), (22, 22), nets=("N2", "+3V3"))
    b.part("C1", chip("0805"), (28, 15), nets=("+3V3", "GND"), value="22u")
    b.part("C2", chip("0805"), (28, 22), nets=("N2", "GND"), value="1u")
    d = drivers_of(b.build())
    assert "switched node" in d["N1"].reason
    assert "switched node" not in d["N2"].reason


def test_straps_and_held_lines_are_slow():
    b = two_chips("D0")
    b.part("U3", soic(8), (25, 24), nets=("N1", "N2", "", "", "", "", "GND", "+3V3"))
    b.part("R1", chip("0402"), (32, 22), nets=("+3V3", "N1"), value="10k")
    b.part("R2", chip("0402"), (32, 26), nets=("N2", "GND"), value="10k")
    b.part("C7", chip("0402"), (36, 26), nets=("N2", "GND"), value="100n")
    d = drivers_of(b.build())
    assert (d["N1"].kind, d["N2"].kind) == ("slow", "slow")
    assert d["N1"].rise == 10e-9
    assert d["N2"].rise == pytest.approx(2.2 * 35 * 100e-9)
    assert "edge slowed by C7" in d["N2"].reason


def test_settings_set_single_figures_and_leave_the_others_assumed():
    board = two_chips("CLK").build()
    d = drivers_of(board, Settings(nets={"CLK": NetSettings(rise=0.3e-9)}))["CLK"]
    assert (d.rise, d.kind, d.given, d.assumed) == (0.3e-9, "clock", True, ("source", "rate"))
    assert d.reason == "rise set in the settings file; source, rate assumed"


def test_settings_change_the_kind():
    board = two_chips("CLK", "D0").build()
    said = {"CLK": NetSettings(kind="none"), "D0": NetSettings(kind="clock", rate=48e6)}
    d = drivers_of(board, Settings(nets=said))
    assert (d["CLK"].kind, d["CLK"].swing, d["CLK"].given) == ("none", 0.0, True)
    assert (d["D0"].kind, d["D0"].rate, d["D0"].swing, d["D0"].given) == ("clock", 48e6, 3.3, True)
    assert d["D0"].assumed == ("rise", "source", "swing")


def test_settings_wake_a_net_that_ends_nowhere_but_no_supply():
    b = two_chips("D0")
    b.part("U3", soic(8), (25, 24), nets=("LONELY", "", "", "", "", "", "GND", "+3V3"))
    said = {"LONELY": NetSettings(rise=2e-9), "+3V3": NetSettings(kind="clock")}
    d = drivers_of(b.build(), Settings(nets=said))
    assert (d["LONELY"].kind, d["LONELY"].rise, d["LONELY"].swing) == ("data", 2e-9, 3.3)
    assert d["+3V3"].kind == "none"


def test_unchecked_settings_count_where_they_differ():
    board = two_chips("CLK").build()
    inferred = drivers_of(board)["CLK"]
    same = NetSettings(kind="clock", rise=inferred.rise, source=inferred.source, rate=inferred.rate)
    assert drivers_of(board, Settings(nets={"CLK": same}, checked=False))["CLK"] == inferred
    differing = dataclasses.replace(same, rise=0.5e-9)
    d = drivers_of(board, Settings(nets={"CLK": differing}, checked=False))["CLK"]
    assert (d.given, d.assumed) == (True, ("source", "rate"))
    d = drivers_of(board, Settings(nets={"CLK": same}))["CLK"]
    assert (d.given, d.assumed) == (True, ())


def test_assumptions_are_counted_by_kind_and_figure():
    board = two_chips("CLK", "D0", "D1", "nRST").build()
    settings = Settings(nets={"D1": NetSettings(rise=2e-9, source=20.0, swing=3.3, rate=1e6)})
    drivers = net_drivers(board, net_roles(board, settings), settings)
    found = {a.what: a for a in driver_assumptions(board, drivers)}
    edge = found["10 to 90 % edge of clock nets"]
    assert (edge.value, edge.unit, edge.touches) == (1.0, "ns", 1)
    assert found["driver resistance of data nets"].touches == 1
    assert found["rate (clock frequency, or half the bit rate) of data nets"].value == 12.5
    assert not any("swing" in what for what in found)  # the one supply settles it
    assert all(a.why for a in found.values())
    total = sum(len(d.assumed) for d in drivers)
    assert sum(a.touches for a in found.values()) == total


def test_different_values_are_told_with_their_counts():
    b = two_chips("CLK", "SCK", "MCLK")
    drivers = net_drivers(b.build(), net_roles(b.build(), Settings()), Settings())
    rate = next(a for a in driver_assumptions(b.build(), drivers) if a.what.startswith("rate"))
    assert rate.value == "10 MHz (1), 12.288 MHz (1), 25 MHz (1)"
    assert rate.touches == 3


def test_drivers_do_not_depend_on_place_and_order(move):
    b = two_chips("CLK", "N1", "N2")
    b.part("R1", chip("0402"), (20, 22), nets=("CLK", "N3"), value="33")
    b.part("R2", chip("0402"), (20, 25), nets=("CLK", "N3"), value="47")
    board = b.build()
    expected = drivers_of(board)
    assert drivers_of(move(board, seed=5, turns=1, mirror=True, shift=(1, 2)).board) == expected


def test_figures_are_the_fields_of_a_driver():
    names = {f.name for f in dataclasses.fields(drivers_of(two_chips("CLK").build())["CLK"])}
    assert set(FIGURES) <= names


def test_drivers_of_the_four_layer_sample(boards_folder: Path):
    from quietcopper.formats import read_board

    board = read_board(boards_folder / "ipc2581-4layer-panel-rev-b" / "WiFi_panel.xml")
    roles = dict(zip(board.nets, net_roles(board, Settings()), strict=True))
    d = drivers_of(board)
    assert [n for n, r in roles.items() if r.kind == "ground"] == ["GND"]
    assert [n for n, r in roles.items() if r.kind == "supply"] == ["3V3"]
    assert {n for n in d if d[n].kind == "clock"} == {"PC14_SPW_SWCLK", "NetC18_2", "NetC19_1", "NetR10_1"}
    assert d["NetC19_1"].rate == 24e6
    assert all(d[f"NetDS{i}_2"].kind == "slow" for i in range(1, 5))


def test_a_port_pin_is_no_protective_earth() -> None:
    """Processors name port pins by letter and number (PE0 to PE15): such a line swings as others do."""
    assert name_family("PE0") is None
    assert name_family("PE") is not None
