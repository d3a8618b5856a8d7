"""Lines that are long against their edge, with and without something that takes up the wave."""

from __future__ import annotations

import pytest

from quietcopper.build import chip, small_board
from quietcopper.findings import excess_db
from quietcopper.review.causes import group_causes, identify

CHECK = "long-line-unterminated"


def line(length_mm, *, last="U2", resistor=None):
    """A line from U1 to another part; resistor : (place from U1 in mm, value) to ground."""
    b = small_board(size_mm=(120.0, 30.0), ground=(2,))
    b.part("U1", chip("0402"), (5, 15), nets=("D0", "GND"), turn_deg=180)
    x, y = b.pin("U1.1")
    b.part(last, chip("0402"), (x + length_mm + (x - 5), 15), nets=("D0", "GND"))
    b.route("D0", "U1.1", f"{last}.1")
    if resistor:
        b.part("R1", chip("0402"), (x + resistor[0], 13), nets=("GND", "D0"), value=resistor[1], turn_deg=90)
        b.route("D0", (x + resistor[0], y), "R1.2")
    return b.build()


@pytest.fixture
def strong(fast):
    return {"D0": fast | {"source": 20.0}}


def test_a_long_open_line_overshoots_by_the_textbook_share(run, strong):
    finding = run(CHECK, line(80), strong).only
    z = finding.evidence["line_impedance_ohm"]
    # two delays exceed the edge: (Z - R)/(Z + R) in full
    assert finding.predicted == pytest.approx((z - 20) / (z + 20), rel=1e-3)
    assert finding.excess_db > 6
    wave = finding.evidence["waveform"]
    assert max(wave["level_mv"]) == pytest.approx(3.3e3 * (1 + finding.predicted), rel=0.01)
    assert finding.cause.alone.key == "no termination:D0"
    assert finding.cause.alone.title == "D0, a long line from U1, is not terminated"


def test_lines_of_several_parts_without_termination_are_one_choice(run, fast):
    """Whether lines are terminated is decided once for a board, not once for each of its parts."""
    b = small_board(size_mm=(120.0, 80.0), ground=(2,))
    nets = {}
    for i, y in enumerate((10, 20, 30, 40, 50, 60)):
        driver = f"U{1 + i // 2}" if i % 2 == 0 else f"U{1 + i // 2}B"
        b.part(driver, chip("0402"), (5, y), nets=(f"D{i}", "GND"), turn_deg=180)
        b.part(f"U{20 + i}", chip("0402"), (90, y), nets=(f"D{i}", "GND"))
        b.route(f"D{i}", f"{driver}.1", f"U{20 + i}.1")
        nets[f"D{i}"] = fast | {"source": 20.0}
    findings = run(CHECK, b.build(), nets).findings
    (cause,) = group_causes(identify(findings))
    assert len(cause.findings) == 6
    assert cause.title == "6 long lines from U1, U1B, U2 and 3 more are not terminated"
    assert cause.change.text == "a resistor in series in each of these lines next to the part that drives it"


def test_the_proposed_resistor_cures(run, fast, strong):
    finding = run(CHECK, line(80), strong).only
    remedy = finding.remedies[0]
    ohm = float(remedy.change.text.split()[0])
    mended = run(CHECK, line(80), {"D0": fast | {"source": 20.0 + ohm}}).findings
    assert remedy.excess_after_db < 0
    if remedy.excess_after_db > -100:
        assert mended[0].excess_db == pytest.approx(remedy.excess_after_db, abs=0.01)


def test_a_short_line_is_not_long(run, strong):
    said = run(CHECK, line(10), strong)
    assert said.findings == []
    assert said.coverage[0].total == 0


def test_a_resistor_at_the_far_end_terminates_and_one_at_the_driver_does_not(run, strong):
    end = run(CHECK, line(80, resistor=(79, "68")), strong).findings
    assert all(f.grade == "passes" for f in end)
    at_driver = run(CHECK, line(80, resistor=(2, "68")), strong).only
    assert at_driver.excess_db > 6
    pull_up = run(CHECK, line(80, resistor=(79, "10k")), strong).only
    assert pull_up.excess_db > 6


def test_a_connector_at_the_end_is_not_judged(run, strong):
    said = run(CHECK, line(80, last="J2"), strong)
    assert said.findings == []
    assert (said.coverage[0].looked, said.coverage[0].total) == (0, 1)
    assert "connector" in said.not_checked[0].why


def test_a_line_behind_a_series_resistor_starts_there(run, fast):
    b = small_board(size_mm=(120.0, 30.0), ground=(2,))
    b.part("U1", chip("0402"), (5, 15), nets=("SRC", "GND"), turn_deg=180)
    b.part("R1", chip("0402"), (9, 15), nets=("SRC", "D0"), value="33")
    b.part("U2", chip("0402"), (90, 15), nets=("D0", "GND"))
    b.route("SRC", "U1.1", "R1.1")
    b.route("D0", "R1.2", "U2.1")
    nets = {"SRC": {"role": "signal"}, "D0": {"role": "signal"}}
    finding = run(CHECK, b.build(), nets).only
    assert finding.evidence["source_ohm"] == pytest.approx(35 + 33)  # a data line's driver as assumed, and R1
    assert finding.place.parts == ("R1",)
    assert finding.excess_db < 0


def test_an_assumed_driver_gives_a_range(run, fast):
    finding = run(CHECK, line(80), {"D0": {"role": "signal", "rise": 0.5e-9, "swing": 3.3}}).only
    z, (best, worst) = finding.evidence["line_impedance_ohm"], finding.range_db
    assert worst == pytest.approx(excess_db((z - 25) / (z + 25), 0.15), abs=0.02)
    assert best == pytest.approx(excess_db((z - 49) / (z + 49), 0.15), abs=0.1)
    assert best < finding.excess_db < worst
