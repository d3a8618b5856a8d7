"""Lone copper and pour fingers: lengths against the wavelength."""

from __future__ import annotations

import pytest

from quietcopper.build import chip, rectangle, small_board
from quietcopper.units import C0


def board_with_clock(y=15.0):
    """CLK on layer 1 over ground, both tied to parts."""
    b = small_board(ground=(2,))
    for ref, x in (("R1", 5), ("R2", 45)):
        b.part(ref, chip("0402"), (x, y), nets=("CLK", "GND"), turn_deg=90)
        b.drop(f"{ref}.2", (0, 1.2))
    b.trace("CLK", 1, [b.pin("R1.1"), b.pin("R2.1")])
    return b


def test_a_lone_piece_is_priced_by_its_half_wave(run, fast):
    b = board_with_clock()
    b.area("", 1, rectangle(10, 15, 40, 17))
    finding = run("lone-copper", b.build(), {"CLK": fast}).only
    # Half wave c/(2·L·sqrt(er)) at three times the knee 0.5/0.5 ns = 1 GHz in er 4.2: 24.4 mm allowed.
    assert finding.allowance.value == pytest.approx(C0 / (2 * 3 * 1e9 * 4.2**0.5), rel=1e-9)
    assert finding.predicted == pytest.approx(30e-3, rel=0.02)
    assert finding.remedies[0].excess_after_db == float("-inf")


def test_a_tied_piece_is_not_lone(run, fast):
    b = board_with_clock()
    b.area("GND", 1, rectangle(10, 15, 40, 17))
    b.via("GND", (12, 16.5))
    assert run("lone-copper", b.build(), {"CLK": fast}).findings == []


def test_a_lone_piece_far_from_every_line_is_left_alone(run, fast):
    b = board_with_clock(y=5.0)
    b.area("", 1, rectangle(10, 20, 40, 22))
    assert run("lone-copper", b.build(), {"CLK": fast}).findings == []


def finger(*, tie_end):
    b = board_with_clock(y=9.6)
    b.area("GND", 1, [(2, 2), (10, 2), (10, 10), (40, 10), (40, 11), (10, 11), (10, 18), (2, 18)])
    b.via("GND", (6, 10))
    if tie_end:
        b.via("GND", (39.4, 10.5))
    return b.build()


def test_a_finger_is_priced_by_its_quarter_wave(run, fast):
    finding = run("pour-finger", finger(tie_end=False), {"CLK": fast}).only
    assert finding.allowance.value == pytest.approx(C0 / (4 * 3 * 1e9 * 4.2**0.5), rel=1e-9)
    # From the body's edge 30 mm; from the body's via 34 mm: the last tie counts.
    assert 29e-3 < finding.predicted < 36e-3


def test_a_finger_tied_at_its_end_is_none(run, fast):
    assert run("pour-finger", finger(tie_end=True), {"CLK": fast}).findings == []


def test_pour_far_beside_a_line_does_not_hide_pour_close_beside_it(run, fast):
    """The mean over everything that has any pour beside it would: a far strip added must not lower the figure."""

    def reflected(far):
        b = small_board(ground=(2,))
        b.net("CLK", target_ohm=50)
        b.trace("CLK", 1, [(3, 15), (22, 15), (47, 15)], width=0.35)
        strips = [(4, 20, 0.1)] + ([(24, 46, 0.5)] if far else [])
        for x0, x1, gap in strips:
            for side in (-1, 1):
                y0, y1 = sorted((15 + side * (0.175 + gap), 15 + side * (0.175 + gap + 1.5)))
                b.area("GND", 1, rectangle(x0, y0, x1, y1))
        return run("pour-shifts-impedance", b.build(), {"CLK": fast}).only.predicted

    assert reflected(True) >= reflected(False) * (1 - 1e-9)


def test_pour_beside_a_slow_line_without_a_target_is_no_matter(run, fast):
    b = small_board(ground=(2,))
    b.trace("LED", 1, [(3, 15), (47, 15)])
    for y in (12.0, 15.25):
        b.area("GND", 1, rectangle(3, y, 47, y + 2.75))
    board = b.build()
    assert len(run("pour-shifts-impedance", board, {"LED": fast}).findings) == 1
    assert run("pour-shifts-impedance", board, {"LED": fast | {"kind": "slow"}}).findings == []


@pytest.mark.parametrize("net", ["", "GND", "VEE"])
def test_an_untied_plane_is_never_taken_away(run, fast, net):
    """Lines return in it: it is tied where it is ground or bears a name, else the designer is asked."""
    b = board_with_clock()
    b.area(net, 3, rectangle(9, 5, 41, 25))
    b.trace("DATA", 4, [(8, 12), (42, 12)])
    finding = run("lone-copper", b.build(), {"CLK": fast, "DATA": fast, "VEE": {"role": "supply"}}).only
    changes = [r.change for r in finding.remedies]
    assert [c.kind for c in changes] == (["stitch"] if net == "GND" else [""])
    assert finding.place.nets == ((net,) if net else ())
    assert changes[0].text.startswith("tie the plane" if net else "ask which net")
    assert finding.cause.key == "untied plane:L3"
    assert finding.cause.change == changes[0]


def test_loose_parts_of_one_layers_pour_share_their_cause(run, fast):
    b = board_with_clock(y=9.6)
    b.area("GND", 1, [(2, 2), (10, 2), (10, 10), (40, 10), (40, 11), (10, 11), (10, 18), (2, 18)])
    b.via("GND", (6, 10))
    b.area("", 1, rectangle(12, 6.6, 42, 8.6))
    said = [run(check, b.build(), {"CLK": fast}).only for check in ("lone-copper", "pour-finger")]
    assert len({f.cause.key for f in said}) == 1
