"""Where a board lies, how its nets are called and how its file is ordered is nobody's design: same findings, same
numbers to 1e-6."""

from __future__ import annotations

import dataclasses

import pytest

from quietcopper.build import Hop, chip, rectangle, small_board
from quietcopper.electrical.settings import NetSettings, Settings
from quietcopper.review import review

FAST = NetSettings(role="signal", kind="clock", swing=3.3, rise=0.5e-9, source=50.0, rate=100e6)
NETS = ("CLK", "D0", "D1", "D2", "E0")  # a name that means something, such as that of a radio line, is no mere name


@pytest.fixture(scope="module")
def board():
    """A supply split under three lines, a clock that changes layers, a line off target, lone copper and a finger."""
    b = small_board(size_mm=(60.0, 40.0), ground=(2,))
    b.net("3V3", kind="power")
    b.net("5V", kind="power")
    b.net("E0", target_ohm=50.0)
    b.pour("3V3", 3, rectangle(0.5, 0.5, 29.75, 39.5), keep_islands=True)
    b.pour("5V", 3, rectangle(30.25, 0.5, 59.5, 39.5), keep_islands=True)
    for i, net in enumerate(("D0", "D1", "D2")):
        y = 8 + i * 0.6
        for ref, x in ((f"R{i}1", 8), (f"R{i}2", 52)):
            b.part(ref, chip("0402"), (x, 6 + 4 * i), nets=(net, "GND"), side="bottom")
        b.route(net, f"R{i}1.1", (14, y), (46, y), f"R{i}2.1", layer=4)
    for ref, x in (("R31", 8), ("R32", 52)):
        b.part(ref, chip("0402"), (x, 24), nets=("CLK", "GND"))
        b.drop(f"{ref}.2", (0.9, 0))
    b.route("CLK", "R31.1", (20, 24), Hop(4), (40, 24), Hop(1), "R32.1")
    for ref, x in (("R41", 8), ("R42", 52)):
        b.part(ref, chip("0402"), (x, 30), nets=("E0", "GND"))
        b.drop(f"{ref}.2", (0.9, 0))
    b.route("E0", "R41.1", "R42.1")
    for net, x in (("3V3", 24), ("5V", 36)):
        b.part(f"C{x}", chip("0402"), (x, 36), nets=(net, "GND"), value="100n")
        b.drop(f"C{x}.1", (-0.9, 0))
        b.drop(f"C{x}.2", (0.9, 0))
    b.area("", 1, rectangle(14, 30.5, 46, 32.5))
    b.area("GND", 1, [(1, 18), (6, 18), (6, 22.4), (36, 22.4), (36, 23.3), (6, 23.3), (6, 26), (1, 26)])
    b.via("GND", (3, 20))
    return b.build()


def settings_for(names):
    return Settings(nets=dict.fromkeys(names, FAST))


def figures(result):
    """Everything a finding predicts, by id."""
    found = (*result.findings, *result.passing)
    return {f.id: (f.check, f.predicted, f.allowance.value) for f in found}


@pytest.fixture(scope="module")
def plain(board):
    result = review(board, settings_for(NETS))
    assert {f.check for f in result.findings} >= {"trace-over-gap", "layer-change-without-return", "planes-far-apart"}
    assert {f.check for f in (*result.findings, *result.passing)} >= {"lone-copper", "pour-finger", "traces-too-close"}
    return result


@pytest.mark.parametrize(
    "how",
    [
        {"shift": (0.0321, -0.0173)},
        {"turns": 1},
        {"turns": 2, "mirror": True},
        {"seed": 5},
        {"shift": (-0.01, 0.02), "turns": 3, "mirror": True, "seed": 11},
    ],
    ids=["shifted", "turned", "turned and mirrored", "shuffled", "everything"],
)
def test_moved_and_shuffled_boards_give_the_same_review(board, plain, move, how):
    moved = review(move(board, **how).board, settings_for(NETS))
    expected, found = figures(plain), figures(moved)
    assert found.keys() == expected.keys()
    for key, (check, predicted, allowed) in expected.items():
        assert found[key][0] == check
        assert found[key][1:] == pytest.approx((predicted, allowed), rel=1e-6), key
    assert [c.id for c in moved.causes] == [c.id for c in plain.causes]


def test_renamed_nets_give_the_same_numbers(board, plain):
    names = {"CLK": "ALPHA", "D0": "BRAVO", "D1": "CHARLIE", "D2": "DELTA", "E0": "ECHO"}
    renamed = dataclasses.replace(
        board,
        nets=tuple(names.get(net, net) for net in board.nets),
        impedances={names.get(net, net): z for net, z in board.impedances.items()},
    )
    other = review(renamed, settings_for(names.values()))

    def sorted_figures(result):
        return sorted((check, predicted) for check, predicted, _ in figures(result).values())

    expected, found = sorted_figures(plain), sorted_figures(other)
    assert [c for c, _ in found] == [c for c, _ in expected]
    assert [p for _, p in found] == pytest.approx([p for _, p in expected], rel=1e-6)


def test_the_same_board_gives_the_same_bytes(board, tmp_path):
    from quietcopper.findings.document import to_document, write_document

    for name in ("one.json", "two.json"):
        write_document(to_document(review(board, settings_for(NETS))), tmp_path / name)
    assert (tmp_path / "one.json").read_bytes() == (tmp_path / "two.json").read_bytes()
