"""Pairs with one line longer than the other, or over a gap that the other does not cross."""

from __future__ import annotations

import pytest

from quietcopper.build import BoardBuilder, chip, rectangle, small_board

CHECK = "pair-out-of-balance"
LANE = {"role": "signal", "kind": "data", "swing": 0.4, "rise": 150e-12, "source": 50.0, "rate": 500e6}


def pair(extra_mm=0.0, *, slot=None, flipped=False):
    """Two lines 0.2 mm apart from one part to another; the positive one with a bulge that makes it longer."""
    b = small_board(size_mm=(80.0, 30.0))
    plane = rectangle(0.5, 0.5, 79.5, 29.5)
    b.pour("GND", 2, plane, keep_islands=True, cut=[slot] if slot is not None else [])
    lanes(b, "LN_P", "LN_N", 10.0, 60.0, extra_mm, flipped)
    return b.build()


def lanes(b: BoardBuilder, positive, negative, x0, x1, extra_mm, flipped=False, last="U2"):
    first = "U1" if x0 < 12 else "U3"
    y = {positive: 15.25, negative: 14.75}
    for ref, x, turn in ((first, x0, 0), (last, x1, 0)):
        b.part(ref, chip("0402"), (x, 15), nets=(negative, positive), turn_deg=90 + turn)
    for net in (positive, negative):
        pin = 2 if net == positive else 1
        start, end = b.pin(f"{first}.{pin}"), b.pin(f"{last}.{pin}")
        way = [start, (x0 + 2, y[net]), (x1 - 2, y[net]), end]
        if net == positive and extra_mm:
            up, middle = extra_mm / 2, (x0 + x1) / 2
            high = y[net] + up
            way[2:2] = [(middle, y[net]), (middle, high), (middle + 3, high), (middle + 3, y[net])]
        b.trace(net, 1, way)


def both(*names):
    return dict.fromkeys(names, LANE)


def test_a_longer_line_arrives_later_by_its_delay(run):
    finding = run(CHECK, pair(4.0), both("LN_P", "LN_N")).only
    assert finding.excess_db > 6
    skew = finding.evidence["skew_ps"]
    assert finding.predicted == pytest.approx(skew / (150 / 0.8), rel=1e-6)
    assert finding.evidence["positive_mm"] - finding.evidence["negative_mm"] == pytest.approx(4.0, abs=1e-6)
    assert 4 * 5.4 < skew < 4 * 6.6  # surface lines in this laminate: 5.4 to 6.6 ps/mm
    assert finding.title.startswith("LN_P arrives")
    assert "lengthen LN_N by" in finding.remedies[0].change.text
    lengthen = float(finding.remedies[0].change.text.split(" by ")[1].split()[0])
    assert lengthen == pytest.approx(4.0, rel=0.02)


def test_the_pulse_drawn_is_the_predicted_share_of_the_swing(run):
    finding = run(CHECK, pair(4.0), both("LN_P", "LN_N")).only
    assert min(finding.evidence["waveform"]["level_mv"]) == pytest.approx(-400 * finding.predicted, rel=0.02)


def test_along_the_way_the_pair_has_its_differential_impedance(run):
    finding = run(CHECK, pair(4.0), both("LN_P", "LN_N")).only
    assert 60 < finding.evidence["coupled_percent"] <= 100
    found = finding.evidence["impedance_profile"]["found_ohm"]
    # beside each other lower than two lines alone
    assert min(found) < max(found)
    assert min(found) < finding.evidence["differential_ohm"] <= max(found)


def test_equal_lines_pass_and_slow_edges_do_not_mind(run):
    assert run(CHECK, pair(0.0), both("LN_P", "LN_N")).only.grade == "passes"
    slow = dict.fromkeys(("LN_P", "LN_N"), LANE | {"rise": 10e-9})
    assert run(CHECK, pair(4.0), slow).only.grade == "passes"


def test_a_slot_under_one_line_only_makes_it_later(run):
    slot = rectangle(30.0, 15.05, 31.0, 26.0)  # from between the lines upward
    finding = run(CHECK, pair(0.0, slot=slot), both("LN_P", "LN_N")).only
    assert finding.evidence["one_sided_gaps_ps"] > 1
    assert finding.title.startswith("LN_P arrives")
    across = run(CHECK, pair(0.0, slot=rectangle(30.0, 4.0, 31.0, 26.0)), both("LN_P", "LN_N")).only
    assert "one_sided_gaps_ps" not in across.evidence
    assert across.predicted < finding.predicted


def test_pairs_behind_series_capacitors_are_taken_together(run):
    """What is made good behind the capacitors counts; the lines change places nowhere."""

    def link(first_mm, second_mm):
        b = small_board(size_mm=(80.0, 30.0), ground=(2,))
        lanes(b, "LN_P", "LN_N", 8.0, 30.0, first_mm, last="U9")
        lanes(b, "LNC_P", "LNC_N", 40.0, 70.0, second_mm)
        for i, sign in ((1, "P"), (2, "N")):
            b.part(f"C{i}", chip("0402"), (35, 11 + 4 * i), nets=(f"LN_{sign}", f"LNC_{sign}"), value="100n")
        return b.build()

    nets = both("LN_P", "LN_N", "LNC_P", "LNC_N")
    alone = run(CHECK, link(4.0, 0.0), nets).only
    assert alone.excess_db > 6
    assert len(alone.evidence["contributions"]) == 2
    double = run(CHECK, link(4.0, 4.0), nets).only
    assert double.predicted == pytest.approx(2 * alone.predicted, rel=0.02)


def test_single_lines_are_no_pair(run):
    said = run(CHECK, small_board(ground=(2,)).build())
    assert said.findings == []
    assert (said.coverage[0].looked, said.coverage[0].total) == (0, 0)
