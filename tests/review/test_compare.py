"""Two revisions compared: matched by meaning, told in dB."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import shapely

from quietcopper.board import Parts, Pins
from quietcopper.build import header, rectangle, small_board, soic
from quietcopper.electrical.settings import NetSettings, Settings
from quietcopper.findings import Allowance, CauseHint, Finding, Matched, Place
from quietcopper.findings.document import comparison_document
from quietcopper.report.comparison import render_comparison
from quietcopper.review import review
from quietcopper.review.board_changes import board_changes, lay
from quietcopper.review.change_words import sentences
from quietcopper.review.compare import compare, match_findings
from quietcopper.review.look import Looked

FAST = NetSettings(role="signal", kind="clock", swing=3.3, rise=0.5e-9, source=50.0, rate=100e6)


@pytest.mark.parametrize(
    ("before", "after", "state"),
    [
        (8.0, None, "cured"),
        (8.0, -0.1, "cured"),
        (8.0, 3.0, "better"),
        (8.0, 7.5, "remaining"),
        (3.0, 8.0, "worse"),
        (-2.0, -5.0, "better"),
        (None, 3.0, "new"),
    ],
)
def test_states_follow_the_figures(before, after, state):
    assert Matched("i", "c", "t", before, after).state == state


def with_slot(slot_mm, x=25.0, net="CLK", ends=False):
    b = small_board()
    half = slot_mm / 2
    cut = [rectangle(x - 0.5, 15 - half, x + 0.5, 15 + half)] if slot_mm else []
    b.pour("GND", 2, rectangle(0, 0, 50, 30), edge=0.5, keep_islands=True, cut=cut)
    b.trace(net, 1, [(5, 15), (45, 15)])
    for spot in ((5, 15), (45, 15)) if ends else ():
        b.via(net, spot)
    return b.build()


def compared(old, new):
    settings = Settings(nets={"CLK": FAST, "TICK": FAST})
    return compare(review(old, settings), review(new, settings), old, new)


def test_a_closed_slot_is_cured_and_a_longer_one_is_worse():
    closed = compared(with_slot(12), with_slot(0))
    assert [m.state for m in closed.findings if m.check == "trace-over-gap"] == ["cured"]
    longer = compared(with_slot(10), with_slot(24))
    assert [m.state for m in longer.findings if m.check == "trace-over-gap"] == ["worse"]


def test_what_is_said_of_one_line_beside_other_neighbours_is_the_same():
    """The line at one place, on another layer and beside other neighbours: one finding; further off it is two,
    and so is another line."""

    def said(layer, at_mm, *nets):
        place = Place((at_mm * 1e-3, 0.0), shapely.Point(0, 0), (0,), nets)
        allowance = Allowance(0.1, "V", "test", "test")
        cause = CauseHint("test", "test")
        found = Finding("traces-too-close", nets[:1], "", "", place, 0.2, allowance, cause, (), {})
        return Looked((dataclasses.replace(found, id=f"traces-too-close:{nets[0]}:{layer}"),), (), (), ())

    old = said("B", 0.0, "SDA", "CLK", "D0")
    assert len(match_findings(old, said("F", 2.2, "SDA", "D1"))) == 1
    assert len(match_findings(old, said("F", 2.2, "DATA", "D1"), {"SDA": "DATA"})) == 1
    assert len(match_findings(old, said("F", 9.0, "SDA", "D1"))) == 2
    assert len(match_findings(old, said("F", 2.2, "D1", "SDA"))) == 2


def test_a_cause_that_other_lines_show_now_is_one_cause():
    """Another line over another opening of the same plane: the place is cured and one is new, the choice behind both is
    told once, with its figure before and now."""
    old, new = with_slot(16), with_slot(16, x=35, net="TICK")
    told = compared(old, new)
    gaps = sorted(m.state for m in told.findings if m.check == "trace-over-gap")
    assert gaps == ["cured", "new"]
    ids = [m.id for m in told.causes]
    assert len(ids) == len(set(ids))
    (both,) = [m for m in told.causes if m.id.startswith("openings")]
    assert both.before_db is not None
    assert both.after_db is not None


def test_layers_called_otherwise_are_the_same_layers():
    """Ground and supply 1.06 mm apart, the supply's copper of another shape and the inner layers renamed."""
    boards = []
    for width, names in ((48, None), (20, ("F.Cu", "In1_Cu", "In2_Cu", "B.Cu"))):
        b = small_board(ground=(2,))
        b.net("3V3", kind="power")
        b.pour("3V3", 3, rectangle(1, 1, width, 29), keep_islands=True)
        board = b.build()
        if names:
            layers = tuple(dataclasses.replace(row, name=name) for row, name in zip(board.layers, names, strict=True))
            board = dataclasses.replace(board, layers=layers)
        boards.append(board)
    states = [m.state for m in compared(*boards).findings if m.check == "planes-far-apart"]
    assert states == ["remaining"]


def test_revisions_of_one_name_are_told_by_their_files():
    board = with_slot(16)
    first, second = (dataclasses.replace(board, source=f"boards/rev{x}.zip") for x in "AB")
    told = compared(first, second)
    assert (told.old_name, told.new_name) == (f"{board.name} (revA.zip)", f"{board.name} (revB.zip)")
    assert "None of" in render_comparison(comparison_document(told))


def test_the_same_board_remains():
    same = compared(with_slot(16), with_slot(16))
    assert {m.state for m in same.findings} == {"remaining"}
    assert same.board_changes == ()


def changed(old, new):
    return board_changes(old, new, lay(old, new))


def test_a_net_with_another_name_in_its_place_is_the_same_net():
    """What it is matched by are its pads, which lie on one another."""

    def board(net, at=(45, 15)):
        b = small_board()
        b.trace(net, 1, [(5, 15), at])
        for spot in ((5, 15), at):
            b.via(net, spot)
        return b.build()

    same = changed(board("CLK"), board("TICK"))
    assert sentences(same) == ["nets renamed: CLK is now TICK"]
    far = changed(board("CLK"), board("CLK", (45, 20)))
    assert far["nets"]["renamed"] == []
    # hypot(40, 5) - 40 mm
    assert far["nets"]["rerouted"] == [{"net": "CLK", "trace_mm": {"before": 40.0, "after": pytest.approx(40.3113)}}]


def test_findings_of_a_renamed_net_are_the_same_findings():
    renamed = compared(with_slot(16, ends=True), with_slot(16, net="TICK", ends=True))
    assert [m.state for m in renamed.findings if m.check == "trace-over-gap"] == ["remaining"]


def test_a_plane_is_known_again_by_its_copper():
    """The pour of the supply bears another name in the other revision; no pad and no hole tells."""

    def board(name):
        b = small_board()
        b.area(name, 3, rectangle(1, 1, 29, 29))
        b.trace("CLK", 1, [(5, 15), (45, 15)])
        return b.build()

    assert changed(board("+3V3"), board("VCC"))["nets"]["renamed"] == [{"before": "+3V3", "after": "VCC"}]


def test_copper_that_went_and_came_is_measured_layer_by_layer():
    old, new = with_slot(12), with_slot(0)
    row = changed(old, new)["layers"][1]
    # the slot is 1 mm wide, and filled now
    assert row["area_added_mm2"] == pytest.approx(12.0, abs=1e-6)
    assert row["area_removed_mm2"] == 0.0
    assert changed(old, new)["layers"][0]["trace_added_mm"] == 0.0


def test_a_trace_cut_in_two_pieces_is_no_other_trace():
    def board(*points, width=0.2):
        b = small_board()
        b.trace("CLK", 1, list(points), width=width)
        return b.build()

    whole = board((5, 15), (45, 15))
    layer = changed(whole, board((5, 15), (20, 15), (45, 15)))["layers"][0]
    assert (layer["trace_removed_mm"], layer["trace_added_mm"]) == (0.0, 0.0)
    layer = changed(whole, board((5, 15), (20, 15), (20, 25)))["layers"][0]
    # the 25 mm beyond the new corner went, 10 mm came; 20 µm are taken for the same place
    assert layer["trace_removed_mm"] == pytest.approx(25.0, abs=0.03)
    assert layer["trace_added_mm"] == pytest.approx(10.0, abs=0.03)
    assert changed(whole, board((45, 15), (5, 15), width=0.3))["layers"][0]["trace_rewidened_mm"] == pytest.approx(40.0)


def test_another_origin_changes_nothing_but_the_origin():
    old = with_slot(12, ends=True)
    new = shifted(old, 17.05e-3, -26.55e-3)
    assert sentences(changed(old, new)) == [
        "the files' origin: moved by (17.050, -26.550) mm, which is allowed for in what follows"
    ]


def shifted(board, dx, dy):
    def moved(shapes):
        return shapely.transform(shapes, lambda xy: xy + np.array([dx, dy]))

    t, v, p = board.traces, board.vias, board.pads
    return dataclasses.replace(
        board,
        outline=moved(board.outline),
        traces=t.replace(x0=t.x0 + dx, x1=t.x1 + dx, y0=t.y0 + dy, y1=t.y1 + dy, xc=t.xc + dx, yc=t.yc + dy),
        vias=v.replace(x=v.x + dx, x1=v.x1 + dx, y=v.y + dy, y1=v.y1 + dy),
        pads=p.replace(x=p.x + dx, y=p.y + dy, shape=moved(p.shape)),
        areas=board.areas.replace(shape=moved(board.areas.shape)),
    )


def test_parts_that_went_came_moved_and_turned_are_named():
    old = small_board().build()

    def with_parts(rows):
        return dataclasses.replace(old, parts=Parts.from_rows(rows))

    before = with_parts([("R1", "10k", "0603", 0, 0.01, 0.01, 0.0), ("R10", "1k", "0603", 0, 0.02, 0.01, 0.0)])
    after = with_parts([("R2", "10k", "0603", 0, 0.01, 0.01, 0.0), ("R10", "2k", "0603", 1, 0.023, 0.014, np.pi / 2)])
    assert sentences(changed(before, after)) == [
        "parts gone: R1",
        "parts added: R2",
        "parts moved: R10 by 5 mm, turned by 90°, to the other side",
        "parts exchanged: R10 from 1k 0603 to 2k 0603",
    ]


def test_what_files_without_parts_do_not_show_is_neither_cured_nor_new() -> None:
    """A revision whose files list no parts has no connectors to look at: their findings are not gone."""
    b = small_board(ground=(2,))
    b.part("J1", header(3, pitch_mm=2.54, drill_mm=1.0, pad_mm=1.7), (5, 15), nets=("CLK", "GND", "D0"))
    b.part("U1", soic(8), (40, 15), nets=("CLK", "D0", "", "", "", "", "GND", "+3V3"))
    b.trace("CLK", 1, [b.pin("J1.1"), b.pin("U1.1")])
    whole = b.build()
    bare = dataclasses.replace(whole, parts=Parts.empty(), pins=Pins.empty(), pads=bare_pads(whole))
    settings = Settings(nets={"CLK": FAST}, connectors={"J1": {"cable": True}})
    shown, hidden = review(whole, settings), review(bare, Settings(nets={"CLK": FAST}))
    there = sum(f.check == "line-leaves-unfiltered" for f in shown.findings)
    assert there
    for pair, boards in (((shown, hidden), (whole, bare)), ((hidden, shown), (bare, whole))):
        compared = compare(*pair, *boards)
        assert not any(m.check == "line-leaves-unfiltered" for m in compared.findings)
        assert any(s.startswith("not compared: ") and "line-leaves-unfiltered" in s for s in compared.board_changes)


def bare_pads(board):
    """The pads, of no part's pins."""
    return dataclasses.replace(board.pads, pin=np.full(len(board.pads), -1, dtype=np.int32))


def test_the_page_escapes_names_and_needs_no_network():
    comparison = compared(with_slot(12), with_slot(0))
    document = comparison_document(comparison)
    document["old"] = "<img src=x onerror=alert(1)>"
    page = render_comparison(document)
    assert "<img" not in page
    assert "http://" not in page
    assert "https://" not in page
