"""What lines radiate: small boards against worked formulas, shielding, theory's slopes, and ranges of assumptions."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from quietcopper.build import Hop, chip, header, rectangle, small_board, soic
from quietcopper.electrical.radiating_lines import cause_by_height
from quietcopper.electrical.radiators import BY_RETURN, BY_TRACE, EDGES, LOOP, radiators_of
from quietcopper.electrical.settings import NetSettings, Settings
from quietcopper.electrical.view import View

CABLE = {"connectors": {"J1": {"cable": True}}}
CHECKS = ("loop-radiates", "line-drives-cables", "plane-edges-radiate")


def line(*, layer=1, ground=(2,), length=50.0):
    """CLK, `length` mm in the middle of a board of 100 x 100 mm, and a connector on its edge."""
    b = small_board(4, size_mm=(100.0, 100.0))
    for at in ground:
        b.pour("GND", at, rectangle(0, 0, 100, 100), keep_islands=True)
    b.trace("CLK", layer, [(50 - length / 2, 50), (50 + length / 2, 50)])
    b.part("J1", header(2, pitch_mm=2.54, drill_mm=1.0, pad_mm=1.7), (4, 6), nets=("GND", "SIG"))
    return b.build()


def view_of(board, driver, **settings):
    return View(board, Settings(nets={"CLK": NetSettings(**driver)}, **settings))


def fields(view, net="CLK", driver=None):
    radiators = radiators_of(view)
    return radiators.fields(view.board.net_index[net], driver)


def test_plane_inductance_of_a_line_is_the_published_row(fast) -> None:
    """Row R7 (exact): 0.80000 nH/m under a line 0.2 mm over the middle of a plane 100 mm wide. The board adds half the
    copper's thickness to nothing: 1e-3."""
    view = view_of(line(), fast)
    radiator = radiators_of(view).by_net[view.board.net_index["CLK"]]
    assert radiator.plane == pytest.approx(0.8e-9 * 50e-3, rel=1e-3)
    assert radiator.height == pytest.approx(0.2e-3, abs=1e-9)


def test_the_loop_is_the_worked_formula(run, fast) -> None:
    """Ott's 263e-16 f² A I/r (from memory; 2e-3), I of a short line V omega C, C = delay/Z0, V of Paul's trapezoid.

    A 10 mm line at 300 MHz is 0.02 of a wave; the range of delays adds up to 1.3 and the sine a little: 1 %.
    """
    view = view_of(line(length=10.0), fast)
    f, parts = fields(view)
    k = int(np.argmin(np.abs(f - 300e6)))
    net = view.board.net_index["CLK"]
    z0, delay = view.impedance_of(net, 0), view.delay_of(net)
    volts = 2 * 3.3 / (3 * np.pi) * abs(np.sinc(300e6 * 0.5e-9 / 0.8))  # third line of a 100 MHz square wave
    current = volts * 2 * np.pi * 300e6 * 1.3 * delay / z0
    expected = 263e-16 * 300e6**2 * (10e-3 * 0.2e-3) * current / 3.0
    assert_allclose(parts[LOOP][k], expected, rtol=0.01)
    finding = run("loop-radiates", line(length=10.0), {"CLK": fast}).only
    assert finding.evidence["loop_mm2"] == pytest.approx(2.0, rel=1e-6)


def test_halving_the_rise_time_raises_fast_findings_by_what_theory_gives(run, fast) -> None:
    """Paul, Introduction to EMC, chapter 3 (from memory): each line goes with |sinc(f rise)|, so half the rise time
    gives 1/|cos(pi f rise/2)| of it, exact; the envelope above the second corner 1/(pi rise) falls in proportion to
    1/rise: 6.02 dB. Findings sit on lines, which reach the envelope only where the sine is near 1: 1 dB."""
    for check in CHECKS[:2]:
        before, after = (
            run(check, slotted(8.0), {"CLK": fast | {"rise": rise, "rate": 1e6}}, **CABLE).only
            for rise in (32e-9, 16e-9)
        )
        assert min(f.evidence["worst_frequency_hz"] for f in (before, after)) > 1 / (np.pi * 20e-9), check
        assert after.excess_db - before.excess_db == pytest.approx(6.02, abs=1.0)
    slow = fast | {"rise": 4e-9, "rate": 20e6}
    quick = slow | {"rise": 2e-9}
    views = [view_of(line(), d) for d in (slow, quick)]
    (f, one), (_, other) = (fields(view) for view in views)
    theory = 1 / np.abs(np.cos(np.pi * f * 5e-9 / 2))
    sent = (theory < 30) & (one[LOOP] > 1e-12)  # the even lines of a square wave are zero
    assert sent.sum() > 15
    for mechanism in (LOOP, BY_RETURN, BY_TRACE):
        assert_allclose(other[mechanism][sent] / one[mechanism][sent], theory[sent], rtol=1e-6)


def test_height_narrows_loop_and_return_but_not_what_passes_the_board(run, fast) -> None:
    """Per ampere the loop halves with its height, and the net inductance of the plane (formulas). What passes the board
    is the double layer of the trace's voltage over its width, which the height does not change: within 5 %."""
    thin = Settings(dielectrics={1: {"thickness": 0.1e-3}}).correct(line())
    wide, close = (radiators_of(v).by_net[2] for v in (view_of(line(), fast), view_of(thin, fast)))
    assert (close.plane, close.height) == (pytest.approx(wide.plane / 2, rel=1e-3), pytest.approx(wide.height / 2))
    assert close.past_board == pytest.approx(wide.past_board, rel=0.05)
    change = run("loop-radiates", line(), {"CLK": fast}).only.cause.change
    assert (change.kind, change.arguments["thickness"]) == ("set-dielectric", pytest.approx(0.1e-3))


def test_a_line_between_two_planes_forms_no_loop_and_drives_nothing(run, fast) -> None:
    board = line(layer=2, ground=(1, 3))
    assert run("loop-radiates", board, {"CLK": fast}, **CABLE).findings == []
    assert run("line-drives-cables", board, {"CLK": fast}, **CABLE).findings == []


def slotted(half_mm, backed=False):
    """CLK over a slot of twice that length in layer 2; backed: solid copper under it."""
    b = small_board(4, size_mm=(100.0, 100.0), ground=(3,) if backed else ())
    cut = [rectangle(49, 50 - half_mm, 51, 50 + half_mm)] if half_mm else []
    b.pour("GND", 2, rectangle(0, 0, 100, 100), keep_islands=True, cut=cut)
    b.trace("CLK", 1, [(25, 50), (75, 50)])
    b.part("J1", header(2, pitch_mm=2.54, drill_mm=1.0, pad_mm=1.7), (4, 6), nets=("GND", "SIG"))
    return b.build()


def test_a_slot_enlarges_the_loop_and_another_plane_hides_its_voltage(run, fast) -> None:
    loops = [run("loop-radiates", slotted(half), {"CLK": fast}).only for half in (0.0, 8.0)]
    assert loops[1].evidence["loop_mm2"] - loops[0].evidence["loop_mm2"] == pytest.approx(8.0 * 2.0, rel=0.05)
    assert "round gaps" in loops[1].message
    cables = [
        run("line-drives-cables", board, {"CLK": fast}, **CABLE).only
        for board in (slotted(0.0), slotted(8.0), slotted(8.0, backed=True))
    ]
    assert cables[1].excess_db > cables[0].excess_db + 6
    assert cables[2].excess_db == pytest.approx(cables[0].excess_db, abs=1.5)
    assert [f.evidence["open_gaps"] for f in cables] == [0, 1, 0]
    # the opening's inductance is several times the plane's own: it is the cause, and closing it the change
    assert cables[1].cause.key == run("trace-over-gap", slotted(8.0), {"CLK": fast}).only.cause.key == "openings:L2:GND"
    assert cables[1].remedies[0].change.kind == "close-openings"
    assert not {cables[0].cause.key, cables[2].cause.key} & {"openings:L2:GND"}


def test_without_cables_the_board_alone_radiates_less(run, fast) -> None:
    """Common practice, no source: cables are the better antenna below some hundred MHz."""
    slow = fast | {"rate": 20e6, "rise": 5e-9}
    with_cable = run("line-drives-cables", line(), {"CLK": slow}, **CABLE).only
    without = run("line-drives-cables", line(), {"CLK": slow}, connectors={"J1": {"cable": False}}).only
    assert without.predicted < with_cable.predicted / 2
    assert "drives the board" in without.title


def change_of_planes(*, tie=False, capacitor=False):
    """CLK changes from over GND on 2 to under 3V3 on 3."""
    b = small_board()
    b.pour("GND", 2, rectangle(0, 0, 50, 30), edge=0.5, keep_islands=True)
    b.pour("GND" if tie else "3V3", 3, rectangle(0, 0, 50, 30), edge=0.5, keep_islands=True)
    b.route("CLK", (5, 15), (25, 15), Hop(4), (45, 15), layer=1)
    if tie:
        b.via("GND", (27, 15))
    if capacitor:
        b.part("C1", chip("0402"), (27, 18), nets=("3V3", "GND"), value="100 nF")
        b.drop("C1.1", (-1, 0))
        b.drop("C1.2", (1, 0))
    return b.build()


def test_planes_that_nothing_ties_radiate_from_their_edges(run, fast) -> None:
    """V·l/(lambda·r), V of 2·Z0 in parallel with the planes' capacitance: 50 x 30 mm at 1.06 mm has 51 pF (plates)."""
    view = view_of(change_of_planes(), fast)
    radiator = radiators_of(view).by_net[view.board.net_index["CLK"]]
    (inductance, capacitance, side) = radiator.changes[0]
    assert np.isinf(inductance)
    plates = 8.854e-12 * 4.2 * 49e-3 * 29e-3 / 1.06e-3
    assert capacitance == pytest.approx(plates, rel=0.02)
    assert side == pytest.approx(49e-3)
    finding = run("plane-edges-radiate", change_of_planes(), {"CLK": fast}).only
    assert finding.excess_db > 6
    assert finding.cause.key == "supply as reference:L3"
    helped = view_of(change_of_planes(capacitor=True), fast)
    (f, alone), (_, with_capacitor) = fields(view), fields(helped)
    low = f < 200e6  # with the planes' capacitance it resonates higher up, where it makes things worse
    assert np.all(with_capacitor[EDGES][low] < alone[EDGES][low])
    assert run("plane-edges-radiate", change_of_planes(tie=True), {"CLK": fast}).findings == []


def test_assumed_figures_span_a_range_and_known_ones_none(run, fast) -> None:
    known = run("loop-radiates", line(), {"CLK": fast}).only
    assert known.range_db is None
    b = small_board(ground=(2,))
    b.part("U1", soic(8), (8, 15), nets=("CLK", "", "", "", "", "", "GND", "+3V3"))
    b.part("U2", soic(8), (42, 15), nets=("CLK", "", "", "", "", "", "GND", "+3V3"))
    b.trace("CLK", 1, [(12, 17), (38, 17)])
    for check in CHECKS[:2]:
        for finding in run(check, b.build(), **CABLE).findings:
            if finding.excess_db > -12:
                best, worst = finding.range_db
                assert best <= finding.excess_db <= worst
                assert worst - best > 3
                assert "upper bound" in finding.message


def test_a_radio_line_is_left_out_and_told(run, fast) -> None:
    b = small_board(ground=(2,))
    b.trace("RF_OUT", 1, [(5, 15), (45, 15)])
    said = run("loop-radiates", b.build(), {"RF_OUT": fast})
    assert said.findings == []
    assert "carrier is wanted" in said.not_checked[0].why


def test_no_board_of_two_layers_is_told_to_be_half_as_thick(fast) -> None:
    changes = []
    for layers in (2, 4):
        b = small_board(layers=layers, ground=(layers,))
        b.trace("CLK", 1, [(5, 15), (45, 15)])
        view = View(b.build(), Settings(nets={"CLK": NetSettings(**fast)}))
        changes.append(cause_by_height(radiators_of(view), view.board.nets.index("CLK")).change)
    assert changes[0][1] == ""
    assert "four layers" in changes[0][0]
    assert "apart" in changes[1][0]


def test_an_indicator_line_with_a_fast_edge_can_outrank_a_slow_clock(run, fast) -> None:
    """Common practice, no source: what counts is the edge, not the rate."""
    b = small_board(layers=2)
    b.pour("GND", 2, rectangle(0, 0, 24, 30), edge=0.5, keep_islands=True)
    b.pour("GND", 2, rectangle(26, 0, 50, 30), edge=0.5, keep_islands=True)
    b.trace("LED", 1, [(5, 10), (45, 10)])
    b.trace("SCK", 1, [(5, 20), (45, 20)])
    nets = {
        "LED": {"role": "signal", "kind": "slow", "swing": 5.0, "rise": 0.5e-9, "source": 30.0, "rate": 1e3},
        "SCK": {"role": "signal", "kind": "clock", "swing": 3.3, "rise": 20e-9, "source": 50.0, "rate": 1e6},
    }
    said = run("trace-over-gap", b.build(), nets)
    led = said.of("LED")
    assert all(led.excess_db > f.excess_db for f in said.findings if f is not led)


def test_edges_are_no_part_of_what_drives_cables(fast) -> None:
    _, parts = fields(view_of(change_of_planes(), fast))
    assert set(parts) == {LOOP, BY_RETURN, BY_TRACE, EDGES}
    assert parts[EDGES].max() > 0


def beyond_edge(y):
    """CLK along the edge of a ground of 60 mm, at y mm on a board of 100 x 70 mm; DATA inside."""
    b = small_board(4, size_mm=(100.0, 70.0))
    b.pour("GND", 2, rectangle(0, 0, 100, 60), keep_islands=True)
    b.trace("CLK", 1, [(20, y), (80, y)])
    b.trace("DATA", 1, [(20, 30), (80, 30)])
    b.part("J1", header(2, pitch_mm=2.54, drill_mm=1.0, pad_mm=1.7), (4, 6), nets=("GND", "SIG"))
    return b.build()


def test_a_line_beyond_the_edge_drives_more_than_inside_and_its_findings_share_that_cause(run, fast) -> None:
    """Leone's net inductance of a finite plane rises towards the edge and beyond."""
    inside, outside = beyond_edge(50.0), beyond_edge(60.4)
    nets = {"CLK": fast | {"target": 50.0}}
    quiet, loud = (run("line-drives-cables", board, nets, **CABLE).of("CLK") for board in (inside, outside))
    assert loud.excess_db > quiet.excess_db + 6
    assert not quiet.cause.key.startswith("edge")
    checks = ("line-drives-cables", "trace-off-plane", "impedance-off-target")
    assert {run(check, outside, nets, **CABLE).of("CLK").cause.key for check in checks} == {"edge:CLK:L1"}


def test_a_margin_to_the_limit_raises_every_radiated_figure_by_itself(run, fast) -> None:
    for check in CHECKS[:2]:
        plain, kept = (run(check, slotted(8.0), {"CLK": fast}, margin=m, **CABLE).only for m in (0.0, 6.0))
        assert kept.excess_db - plain.excess_db == pytest.approx(6.0, abs=1e-6)
        assert "less 6 dB of margin" in kept.allowance.source
        assert "margin" not in plain.allowance.source


def test_a_resistor_at_the_driver_is_an_edit(run, fast) -> None:
    strong = fast | {"source": 15.0}
    finding = run("line-drives-cables", line(), {"CLK": strong}, **CABLE).only
    change = finding.remedies[0].change
    assert (change.kind, dict(change.arguments)) == ("series-resistor", {"nets": ["CLK"], "ohm": 33.0})
    more = run("line-drives-cables", line(), {"CLK": strong | {"source": 48.0}}, **CABLE).only
    assert more.excess_db == pytest.approx(finding.remedies[0].excess_after_db, abs=1e-6)


def test_a_line_along_the_edge_between_two_supplies_has_the_supplies_as_its_cause(run, fast) -> None:
    b = small_board(4, size_mm=(100.0, 60.0), ground=(2,))
    for net, y in (("3V3", 0.5), ("5V", 30.5)):
        b.net(net, kind="power")
        b.pour(net, 3, rectangle(0.5, y, 99.5, y + 29.0), keep_islands=True)
    b.trace("CLK", 4, [(20, 29.2), (80, 29.2)])
    finding = run("trace-off-plane", b.build(), {"CLK": fast}, **CABLE).of("CLK")
    assert finding.cause.key == "supply as reference:L3"
    assert finding.cause.change.kind == "area-to-net"


def test_no_sheet_is_proposed_that_nobody_presses(run, fast) -> None:
    """A ply of 1080 is 63 µm (a fabricator's published list): no half of 90 µm, and no little less than 70."""
    for height, change in ((0.2e-3, 0.1e-3), (90e-6, 63e-6), (70e-6, None)):
        board = Settings(dielectrics={1: {"thickness": height}}).correct(line())
        found = run("loop-radiates", board, {"CLK": fast}).only.cause.change
        assert (found.arguments["thickness"] if found else None) == (pytest.approx(change) if change else None)
