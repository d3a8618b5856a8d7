"""Which connectors are taken to carry a cable."""

from __future__ import annotations

from quietcopper.build import header, small_board
from quietcopper.electrical.cables import cabled_connectors, is_assumed
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
