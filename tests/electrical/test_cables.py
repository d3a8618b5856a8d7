"""Which connectors are taken to carry a cable."""

from __future__ import annotations

from quietcopper.build import header, small_board
from quietcopper.electrical.cables import cabled_connectors, if_cabled, is_assumed, title_if_cabled
from quietcopper.electrical.settings import Settings
from quietcopper.electrical.view import View

CARD = ("SD1_CLK_R", "SD1_CMD_R", "SD1_D0", "SD1_D1", "+3V3", "GND")


def _view(nets: tuple[str, ...], **settings: object) -> View:
    b = small_board(2, ground=(2,))
    b.part("J1", header(len(nets), pitch_mm=2.54, drill_mm=1.0, pad_mm=1.7), (5, 15), nets=nets)
    return View(b.build(), Settings(connectors=settings))


def test_a_connector_near_the_edge_carries_a_cable_and_that_is_an_assumption() -> None:
    view = _view(("CLK", "D0", "D1", "D2", "+3V3", "GND"))
    found, notes = cabled_connectors(view)
    assert found == ("J1",)
    assert [note.value for note in notes] == ["cable attached"]
    assert is_assumed(view, "J1")


def test_a_memory_cards_socket_has_none_unless_the_settings_say_so() -> None:
    """Clock, command and data lines beside the word SD or MMC; common practice, no source."""
    found, notes = cabled_connectors(_view(CARD))
    assert found == ()
    assert [(note.what, note.value) for note in notes] == [("connectors that take a memory card: J1", "no cable")]
    said = _view(CARD, J1={"cable": True})
    assert cabled_connectors(said) == (("J1",), ())
    assert not is_assumed(said, "J1")


def test_lines_of_an_interface_that_is_made_for_a_cable_say_that_there_is_one() -> None:
    """VBUS beside a USB pair, a display's, a bus's lines: common practice, no source. A debug header's lines do not."""
    for names in (("VBUS", "D+", "D-", "GND"), ("/USB_P", "/USB_N", "+5V", "GND"), ("CANH", "CANL", "+5V", "GND")):
        view = _view(names)
        assert cabled_connectors(view)[0] == ("J1",)
        assert not is_assumed(view, "J1")
        assert if_cabled(view, "J1", "a filter") == title_if_cabled(view, "J1", "a filter").lower() == "a filter"
    view = _view(("SWCLK", "SWDIO", "+3V3", "GND"))
    assert is_assumed(view, "J1")
    assert if_cabled(view, "J1", "a filter") == "if J1 carries a cable: a filter"
    assert title_if_cabled(view, "J1", "a filter") == "If J1 carries a cable: a filter"
