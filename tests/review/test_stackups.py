"""Stackups of common laminates: as many layers, about as thick, alike from both sides, ranked by what they leave."""

from __future__ import annotations

import dataclasses
import json
from types import SimpleNamespace

import numpy as np
import pytest

from quietcopper.build import header, rectangle, small_board
from quietcopper.checks import all_checks
from quietcopper.cli import main
from quietcopper.electrical.settings import NetSettings, Settings
from quietcopper.electrical.view import View
from quietcopper.findings import Allowance, CauseHint, Finding, Place
from quietcopper.formats.ipc2581.writer import write_ipc2581
from quietcopper.review import stackups
from quietcopper.review.laminates import PREPREGS
from quietcopper.review.look import Looked, look
from quietcopper.review.stackups import (
    alternatives,
    first_modes,
    refitted,
    symmetry,
    try_stackups,
    why_best,
    without_assumed_cables,
)
from quietcopper.review.tables import stackup_summary
from quietcopper.review.trial import Bench

FAST = NetSettings(role="signal", kind="clock", swing=3.3, rise=0.5e-9, source=50.0, rate=50e6)


def coupled():
    """Two long lines side by side on layer 1 over ground; ground under supply 1.1 mm apart."""
    b = small_board(size_mm=(70, 40), ground=(2,))
    b.net("3V3", kind="power")
    b.pour("3V3", 3, rectangle(0.5, 0.5, 69.5, 39.5), keep_islands=True)
    for i in range(2):
        b.trace(f"S{i}", 1, [(8, 20 + 0.45 * i), (62, 20 + 0.45 * i)])
    return b.build()


def finding_at(name, excess):
    place = Place((0.0, 0.0))
    return Finding(
        "c", (name,), name, "m", place, 10 ** (excess / 20), Allowance(1.0, "V", "test"), CauseHint("k", "t"), id=name
    )


@pytest.mark.parametrize("layers", [4, 6, 8])
def test_they_can_be_made(layers):
    board = small_board(layers=layers).build()
    found = alternatives(board, 20)
    assert len(found) >= 4
    for _, sheets in found:
        assert len(sheets) == layers - 1
        assert [s.thickness for s in sheets] == [s.thickness for s in sheets[::-1]]
        whole = sum(s.thickness for s in sheets) + sum(layer.thickness for layer in board.layers)
        assert whole == pytest.approx(board.thickness, rel=0.1)
    assert len({name for name, _ in found}) == len(found)


def test_plies_are_as_thick_as_fabricators_say():
    """Two fabricators' published lists: 1080 63 and 65 µm, 2116 110 and 105 µm, 7628 180 and 175 µm (unpressed and
    pressed plies differ; 20 % covers both)."""
    by_style = {p.style: p.thickness for p in PREPREGS}
    for style, listed in (("1080", (63, 65)), ("2116", (110, 105)), ("7628", (180, 175))):
        assert by_style[style] * 1e6 == pytest.approx(np.mean(listed), rel=0.21)


def test_thinner_below_the_lines_ranks_first_where_lines_couple():
    """Common practice, no source: lines nearer to their plane couple less."""
    board, settings = coupled(), Settings(patterns={"S?": FAST})
    checks = tuple(c for c in all_checks() if c.NAME == "traces-too-close")
    view = View(board, settings)
    before = look(view, checks)
    outcomes = try_stackups(Bench.of(view, checks), before, 5)
    assert [o.order for o in outcomes] == sorted(o.order for o in outcomes)
    best, present = outcomes[0], next(o for o in outcomes if o.name == "as it is")
    assert best.dielectrics[0].thickness < present.dielectrics[0].thickness
    assert best.excess < present.excess
    assert "instead of" in why_best(best, present)
    assert outcomes[-1].dielectrics[0].thickness == max(o.dielectrics[0].thickness for o in outcomes)


def test_what_a_stackup_costs_is_counted_over_the_allowance_as_the_ranking_counts():
    """9 dB more below the allowance cost nothing; 4 dB more of a place that is over it do."""
    b = coupled()
    view = View(b, Settings(patterns={"S?": FAST}))
    present = stackups._outcome("as it is", b, ())
    near, far = finding_at("near", -9.2), finding_at("far", 31.7)
    trial = SimpleNamespace(after={"near": 0.1, "far": 35.8}, new=(), looked=SimpleNamespace(findings=()))
    before = Looked((far,), (near,), (), ())
    bench = Bench.of(view, ())
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(stackups, "try_change", lambda *_: trial)
        outcomes = try_stackups(bench, before, 1)
    other = next(o for o in outcomes if o.name not in ("as it is", "as it is, widths refitted"))
    assert [title for title, _, _ in other.worse] == ["far", "near"]
    assert "It costs most at: far, +31.7 dB before, +35.8 dB now." in why_best(other, present)


def test_the_nets_that_carry_the_return_are_named():
    b = small_board(size_mm=(70, 40), ground=())
    b.net("GND", kind="ground")
    b.area("GND", 2, rectangle(1, 1, 50, 39))
    b.area("SHIELD", 2, rectangle(51, 1, 69, 39))
    b.trace("CLK", 1, [(8, 20), (64, 20)])
    summary = stackup_summary(View(b.build(), Settings(nets={"CLK": FAST})))
    assert summary["layers"][0]["reference"]["nets"] == ["GND", "SHIELD"]
    assert any("return in GND and SHIELD on" in text for text in summary["judgement"])


def test_first_mode_is_half_a_wave_along_the_longer_side():
    """c / (2 L sqrt(er)) of an open rectangle, exact; 69 mm, er 4.2: 1060 MHz."""
    (pair,) = first_modes(View(coupled()))
    assert pair["modes_hz"][0] == pytest.approx(299792458 / (2 * 69e-3 * np.sqrt(4.2)), rel=0.01)


def test_what_is_unlike_from_both_sides_is_told():
    board = coupled()
    assert symmetry(board) == []
    three = small_board(layers=3).build()
    assert any("between 2 and 3" in text for text in symmetry(three))


def test_command_says_it_as_text_and_as_json(tmp_path, capsys):
    path = tmp_path / "board.xml"
    write_ipc2581(coupled(), path)
    assert main(["stackup", str(path), "--most", "1", "-q", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert {row["name"] for row in said["ranking"]} > {"as it is"}
    assert said["present"]["widths"][0]["width_mm"] == pytest.approx(0.2)
    assert main(["stackup", str(path), "--most", "0", "-q"]) == 0
    text = capsys.readouterr().out
    assert "alike from both sides" in text
    assert "0.2 mm on L1" in text
    assert main(["stackup", str(path), "--most", "99", "-q"]) == 2


def test_lines_with_a_target_are_refitted_and_told():
    """Hammerstad and Jensen's microstrip (from memory) gives near 50 Ω at w/h = 1.9 for er 4.2: thinner sheets need
    narrower lines in proportion."""
    b = small_board(size_mm=(70, 40), ground=(2,))
    b.net("CLK", target_ohm=50)
    b.trace("CLK", 1, [(8, 20), (62, 20)], width=0.35)
    view = View(b.build(), Settings(patterns={"CLK": FAST}))
    bench = Bench.of(view, ())
    net = bench.board.net_index["CLK"]
    assert abs(view.impedance_of(net, 0) / 50 - 1) < 0.1
    thin = dataclasses.replace(bench.board.dielectrics[0], thickness=bench.board.dielectrics[0].thickness / 2)
    changed = dataclasses.replace(bench.board, dielectrics=(thin, *bench.board.dielectrics[1:]))
    board, widths = refitted(bench, changed)
    assert View(board, bench.settings).impedance_of(net, 0) == pytest.approx(50, rel=0.02)
    assert board.traces.width[board.traces.net == net] < 0.35e-3 * 0.7
    assert len(widths) == 1
    assert "for 50 Ω (1 net)" in widths[0]


def test_cables_that_were_only_assumed_are_left_out():
    b = small_board(ground=(2,))
    b.part("J1", header(2, pitch_mm=2.54, drill_mm=1.0, pad_mm=1.7), (4, 6), nets=("GND", "SIG"))
    b.part("J2", header(2, pitch_mm=2.54, drill_mm=1.0, pad_mm=1.7), (4, 16), nets=("GND", "SIG"))
    view = View(b.build(), Settings(connectors={"J2": {"cable": True}}))
    assert set(view.cabled_connectors) == {"J1", "J2"}
    settings, left_out = without_assumed_cables(view)
    assert left_out == ("J1",)
    assert View(view.board, settings).cabled_connectors == ("J2",)
