"""Paths piece by piece, what ends them, and their two-ports."""

from __future__ import annotations

import numpy as np
import pytest

from quietcopper.build import Hop, chip, rectangle, small_board
from quietcopper.electrical.ends import driven_from, end_of, terminations, to_receivers
from quietcopper.electrical.profile import profile_picture, worst_part
from quietcopper.electrical.settings import NetSettings, Settings
from quietcopper.electrical.steps import difference, nearest_piece
from quietcopper.electrical.touchstone import two_port, write_touchstone
from quietcopper.electrical.view import View
from quietcopper.errors import CallError, OutOfRange
from quietcopper.fields.vias import printed_antipad_rule, return_inductance

FAST = NetSettings(role="signal", kind="clock", swing=3.3, rise=0.2e-9, source=50.0, rate=100e6)


def hopping(*, returns=True):
    """A line on layer 1, through a via to layer 4, and on a wider trace."""
    b = small_board(size_mm=(80.0, 30.0), ground=(2, 3))
    b.part("U1", chip("0402"), (5, 15), nets=("A", "GND"), turn_deg=180)
    b.part("U2", chip("0402"), (75, 15), nets=("A", "GND"), side="bottom", turn_deg=180)
    b.route("A", "U1.1", (30, 15), Hop(4), (50, 15))
    b.trace("A", 4, [(50, 15), b.pin("U2.1")], width=0.4)
    if returns:
        b.via("GND", (30, 16))
    return b.build()


def view_of(board, **nets):
    return View(board, Settings(nets={"A": FAST, **nets}))


def only(view, net="A"):
    (profile,) = view.profiles.of(view.board.net_index[net])
    return profile


def test_pieces_follow_each_other_without_gap_and_add_up_to_the_path():
    view = view_of(hopping())
    profile = only(view)
    assert profile.start[1:] == pytest.approx((profile.start + profile.length)[:-1])
    assert profile.length.sum() == pytest.approx(profile.path.length, rel=1e-6)
    assert profile.delay.sum() == pytest.approx(profile.total_delay)
    assert list(dict.fromkeys(zip(profile.kind.tolist(), profile.layer.tolist(), strict=True))) == [
        ("trace", 0),
        ("via", 3),
        ("trace", 3),
    ]
    assert np.isfinite(profile.met).all()
    traces = profile.kind == "trace"
    slope = profile.delay[traces] / profile.length[traces]
    assert (slope > 5e-9).all()
    assert (slope < 7e-9).all()


def test_what_a_way_crosses_of_its_pads_takes_time_as_well():
    """A trace that ends at the edge of a long pad and one that ends in its middle bring the edge there together."""

    def arrival(end: float):
        b = small_board(size_mm=(80.0, 30.0), ground=(2,))
        b.part("U1", chip("1206"), (5, 15), nets=("A", "GND"), turn_deg=180)
        b.part("U2", chip("1206"), (60, 15), nets=("A", "GND"))
        b.trace("A", 1, [b.pin("U1.1"), (b.pin("U2.1")[0] - end, 15)])
        return only(view_of(b.build()))

    middle, edge = arrival(0.0), arrival(0.4)
    assert edge.across_pads == pytest.approx(0.4e-3)
    assert middle.across_pads == pytest.approx(0.0, abs=1e-9)
    assert edge.path.length == pytest.approx(middle.path.length)
    assert edge.total_delay == pytest.approx(middle.total_delay, rel=1e-3)
    # 0.4 mm in laminate of er 4.3: between vacuum's 1.3 ps and the laminate's 2.8 ps
    assert 1.3e-12 < edge.total_delay - edge.delay.sum() < 2.8e-12


def test_impedance_is_that_of_the_runs_and_unsolved_pieces_say_why():
    view = view_of(hopping())
    profile = only(view)
    solved = np.isfinite(profile.z0) & (profile.kind == "trace")
    assert profile.z0[solved] == pytest.approx(view.line_table.z0[profile.run[solved]])
    assert all(profile.reason[~np.isfinite(profile.z0)])
    wide = profile.z0[solved & (profile.width > 0.3e-3)]
    assert (wide < profile.z0[solved & (profile.width < 0.3e-3)].min()).all()
    # what lies in the hole's antipad goes on as the trace beside it
    at_hole = int(np.flatnonzero(profile.reason == "within the antipad of its own hole")[0])
    assert profile.met[at_hole] == pytest.approx(profile.z0[at_hole - 1])


def test_a_via_is_the_inductance_of_its_return_and_the_capacitance_of_its_pads():
    view = view_of(hopping())
    board, profile = view.board, only(view)
    via = int(np.flatnonzero(profile.kind == "via")[0])
    height = float(board.depths[3])
    inductance = float(return_inductance(height, 0.15e-3, [[0.0, 1e-3]], 0.15e-3))
    er = sum(d.er * d.thickness for d in board.dielectrics) / sum(d.thickness for d in board.dielectrics)
    # pads 0.6 mm in openings 0.2 mm wider on each side
    capacitance = float(printed_antipad_rule(er, height, 0.6e-3, 1.0e-3))
    assert profile.z0[via] == pytest.approx(np.sqrt(inductance / capacitance), rel=0.03)
    alone = only(view_of(hopping(returns=False)))
    assert alone.z0[via] > profile.z0[via]


def test_the_way_of_a_net_without_pins_is_its_longest():
    b = small_board(ground=(2,))
    b.trace("A", 1, [(5, 15), (45, 15)])
    profile = only(view_of(b.build()))
    assert profile.path.end_pin == -1
    assert profile.path.length == pytest.approx(40e-3)
    assert profile.solved


def test_a_net_is_followed_from_the_resistor_before_it():
    b = small_board(size_mm=(80.0, 30.0), ground=(2,))
    b.part("U1", chip("0402"), (5, 15), nets=("SRC", "GND"), turn_deg=180)
    b.part("R1", chip("0402"), (10, 15), nets=("SRC", "A"), value="33")
    b.part("U2", chip("0402"), (70, 15), nets=("A", "GND"))
    b.route("SRC", "U1.1", "R1.1")
    b.route("A", "R1.2", "U2.1")
    view = View(b.build(), Settings(nets={n: NetSettings(role="signal") for n in ("A", "SRC")}))
    profile = only(view)
    assert view.board.pin_label(profile.path.start_pin) == "R1.2"
    assert driven_from(view, profile) == "R1"
    assert view.profiles.resistance_before(view.board.net_index["A"]) == 33.0
    assert view.profiles.resistance_before(view.board.net_index["SRC"]) == 0.0


def test_what_stands_at_the_ends():
    b = small_board(size_mm=(80.0, 60.0), ground=(2,))
    b.part("U1", chip("0402"), (5, 15), nets=("A", "GND"), turn_deg=180)
    x, y = b.pin("U1.1")
    ends = {
        "U2": ("A", "GND", ""),
        "R1": ("A", "GND", "50"),
        "R2": ("A", "GND", "10k"),
        "R3": ("A", "B", "22"),
        "C1": ("A", "GND", "10p"),
        "J1": ("A", "GND", ""),
    }
    for i, (ref, (one, other, value)) in enumerate(ends.items(), 1):
        b.part(ref, chip("0402"), (x + 10 * i, 20), nets=(one, other), value=value, turn_deg=90)
        b.trace("A", 1, [(x + 10 * (i - 1), y), (x + 10 * i, y), b.pin(f"{ref}.1")])
    b.trace("B", 1, [b.pin("R3.2"), (x + 30, 40)])
    view = view_of(b.build(), B=FAST)
    net = view.board.net_index["A"]
    found = {view.board.pin_label(p.path.end_pin): end_of(view, net, p.path.end_pin) for p in view.profiles.of(net)}
    assert found == {
        "U2.1": "open",
        "R1.1": "terminated",
        "R2.1": "passive",
        "R3.1": "goes on",
        "C1.1": "passive",
        "J1.1": "connector",
    }
    (resistor,) = terminations(view, net)
    assert (resistor.part, resistor.ohm) == ("R1", 50.0)
    assert [end for _, end in to_receivers(view, net)] == ["connector", "goes on", "terminated", "open"]


def test_a_resistor_across_a_pair_counts_half_for_each_line():
    b = small_board(size_mm=(80.0, 30.0), ground=(2,))
    for ref, at in (("U1", 5), ("U2", 60)):
        b.part(ref, chip("0402"), (at, 15), nets=("A", "B"), turn_deg=90)
    b.part("R1", chip("0402"), (58, 15), nets=("A", "B"), value="100", turn_deg=90)
    for net, pin in (("A", 1), ("B", 2)):
        b.route(net, f"U1.{pin}", f"R1.{pin}", f"U2.{pin}")
    pair = {"A": NetSettings(role="signal", pair_with="B"), "B": NetSettings(role="signal")}
    view = View(b.build(), Settings(nets=pair))
    assert [t.ohm for t in terminations(view, view.board.net_index["A"])] == [50.0]


def test_the_stretch_that_reflects_most_goes_on_as_far_as_it_deviates():
    view = view_of(hopping())
    profile = only(view)
    usual = profile.typical
    stretch = worst_part(profile, 0.25e-9, usual)
    assert stretch is not None
    assert stretch.share == pytest.approx(
        (stretch.z0 - usual) / (stretch.z0 + usual) * min(1, stretch.delay / 0.125e-9)
    )
    on_top = worst_part(profile, 0.25e-9, 50.0, layer=0)
    assert set(profile.layer[on_top.pieces].tolist()) == {0}
    assert on_top.share > 0
    assert worst_part(profile, 0.25e-9, 50.0, layer=1) is None


def test_why_a_stretch_differs():
    view = view_of(hopping())
    profile = only(view)
    solved = np.flatnonzero(np.isfinite(profile.z0) & (profile.kind == "trace"))
    wide = int(solved[profile.width[solved] > 0.3e-3][0])
    narrow = nearest_piece(profile, float(profile.z0[solved].max()), wide)
    why = difference(view, profile, wide, narrow)
    assert why.kind == "width"
    assert why.key.startswith("width:")
    assert "0.4 mm wide there instead of 0.2 mm" in why.words


def test_the_drawn_profile_has_steps_only():
    profile = only(view_of(hopping()))
    drawn = profile_picture(profile, 50.0)
    assert drawn["target_ohm"] == 50.0
    assert drawn["distance_mm"][-1] == pytest.approx(profile.path.length * 1e3)
    assert len(drawn["distance_mm"]) == len(drawn["found_ohm"]) <= 2 * len(profile)
    assert sorted(drawn["distance_mm"]) == drawn["distance_mm"]


def test_a_two_port_is_passive_reciprocal_and_has_the_path_s_delay():
    view = view_of(hopping())
    profile = only(view)
    f = np.linspace(20e6, 10e9, 400)
    port = two_port(view, profile, f)
    s = port.scattering
    assert np.abs(s[:, 0, 1] - s[:, 1, 0]).max() < 1e-9
    power = np.abs(s[:, 0, 0]) ** 2 + np.abs(s[:, 1, 0]) ** 2
    assert power.max() < 1
    assert (np.diff(20 * np.log10(power))[::40] < 0).mean() > 0.5  # more is lost the higher the frequency
    group = -np.gradient(np.unwrap(np.angle(s[:, 1, 0])), 2 * np.pi * f)
    # dispersion: dielectrics are stated at 1 GHz and slower below
    assert np.mean(group[10:60]) == pytest.approx(profile.total_delay, rel=0.03)
    assert any("smooth" in note for note in port.notes)


def test_a_touchstone_file_reads_back_as_it_was(tmp_path):
    skrf = pytest.importorskip("skrf")
    view = view_of(hopping())
    port = two_port(view, only(view), np.linspace(20e6, 5e9, 50), 75.0)
    write_touchstone(port, tmp_path / "a.s2p", "A from U1.1 to U2.1")
    back = skrf.Network(str(tmp_path / "a.s2p"))
    assert back.s == pytest.approx(port.scattering, abs=1e-12)
    assert back.z0.real == pytest.approx(75.0)
    assert "A from U1.1 to U2.1" in (tmp_path / "a.s2p").read_text()
    write_touchstone(port, tmp_path / "b.s2p", "A from U1.1 to U2.1")
    assert (tmp_path / "a.s2p").read_bytes() == (tmp_path / "b.s2p").read_bytes()


def test_without_the_library_the_call_says_what_to_install(tmp_path, monkeypatch):
    import sys

    view = view_of(hopping())
    port = two_port(view, only(view), np.array([1e9]))
    monkeypatch.setitem(sys.modules, "skrf", None)
    with pytest.raises(CallError, match=r"pip install 'quietcopper\[networks\]'"):
        write_touchstone(port, tmp_path / "a.s2p", "")
    assert list(tmp_path.iterdir()) == []


def test_a_path_that_was_not_solved_has_no_two_port():
    b = small_board()
    b.trace("A", 1, [(5, 15), (45, 15)])
    view = view_of(b.build())
    with pytest.raises(OutOfRange, match="could be solved"):
        two_port(view, only(view), np.array([1e9]))


def test_through_a_pour_the_line_goes_on_as_beside_it():
    b = small_board(size_mm=(80.0, 30.0), ground=(2,))
    b.part("U1", chip("0402"), (5, 15), nets=("A", "GND"), turn_deg=180)
    b.part("U2", chip("0402"), (70, 15), nets=("A", "GND"))
    b.route("A", "U1.1", (30, 15))
    b.area("A", 1, rectangle(29, 13, 41, 17))
    b.trace("A", 1, [(40, 15), b.pin("U2.1")])
    profile = only(view_of(b.build()))
    (pour,) = np.flatnonzero(profile.kind == "area").tolist()
    assert profile.reason[pour] == "through a pour"
    assert profile.length[pour] == pytest.approx(10e-3, rel=0.01)
    assert profile.met[pour] == pytest.approx(profile.z0[pour - 1])
    assert profile.unsolved() >= 10e-3 * 0.99


def test_a_short_solved_piece_does_not_stand_for_a_long_way_without_return():
    """What is too short to be a line goes on as next to it; what has no copper for its return does not."""

    def way(covered: float):
        b = small_board(size_mm=(80.0, 30.0), ground=())
        b.net("GND", kind="ground")
        b.area("GND", 2, rectangle(2, 5, 5 + covered, 25))
        b.trace("A", 1, [(5, 15), (5 + covered / 2, 15), (5 + covered, 15), (65, 15)])
        return only(view_of(b.build()))

    little, most = way(12.0), way(48.0)
    assert np.isfinite(little.z0[little.kind == "trace"]).any()
    assert not little.solved
    assert most.solved
    assert set(little.reason) >= {"no copper within reach carries the return"}
