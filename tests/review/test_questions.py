"""Questions to the designer: each priced by looking again with the other answer, the most telling first."""

from __future__ import annotations

import pytest

from quietcopper.build import chip, header, small_board
from quietcopper.checks import all_checks
from quietcopper.electrical.settings import NetSettings, Settings
from quietcopper.electrical.view import View
from quietcopper.findings.document import schema, to_document
from quietcopper.findings.model import MAIN
from quietcopper.review import review
from quietcopper.review.look import look
from quietcopper.review.questions import like


def crossing():
    """A line over two grounds, each with a connector of two pins at the board's edge; edge and cables are assumed."""
    b = small_board(size_mm=(60, 30))
    b.net("GND", kind="ground")
    b.net("GND_IO", kind="ground")
    for net, x in (("GND", 0.5), ("GND_IO", 30.5)):
        b.pour(net, 2, [(x, 0.5), (x + 29.0, 0.5), (x + 29.0, 29.5), (x, 29.5)], keep_islands=True)
    for i in range(3):
        b.part(f"U{i}", chip("0402"), (10, 6 + 8 * i), nets=("GND", f"DATA{i}"))
        b.part(f"U{i + 5}", chip("0402"), (50, 6 + 8 * i), nets=(f"DATA{i}", "GND_IO"))
        b.drop(f"U{i}.1", (-0.9, 0))
        b.drop(f"U{i + 5}.2", (0.9, 0))
        b.route(f"DATA{i}", f"U{i}.2", f"U{i + 5}.1")
    return b.build()


@pytest.fixture(scope="module")
def asked():
    board = crossing()
    return board, review(board, Settings(), prove=True)


def test_they_say_what_was_assumed_what_would_change_and_where_to_answer(asked):
    _, result = asked
    assert result.questions
    assert [q.crossing for q in result.questions] == sorted((q.crossing for q in result.questions), reverse=True)
    for question in result.questions:
        assert question.text.endswith("?")
        assert question.assumed
        assert "[" in question.key
        assert question.changes or question.swing_db == 0
    jsonschema = pytest.importorskip("jsonschema")
    jsonschema.validate(to_document(result), schema())


def test_a_gap_between_grounds_is_asked_about(asked):
    _, result = asked
    assert any("safety barrier" in q.text and "GND_IO" in q.text for q in result.questions)


def test_the_answer_does_what_the_question_says(asked):
    """The whole review with the other answer in its settings has the figures that the question told."""
    board, result = asked
    question = next(q for q in result.questions if q.text.startswith("How fast"))
    rise = 1e-9 * float(question.answer.split()[0])
    nets = {name: NetSettings(rise=rise) for name in board.nets if name.startswith("DATA")}
    answered = review(board, Settings(nets=nets))
    now = {f.title: f.excess_db for f in (*answered.findings, *answered.passing)}
    told = [(title, after) for title, _, after in question.changes if after is not None and title in now]
    assert told
    for title, after in told:
        assert now[title] == pytest.approx(after, abs=0.01)


def test_geometry_is_taken_over_and_gives_the_same():
    board = crossing()
    view = View(board)
    checks = all_checks()
    before = look(view, checks)
    again = like(view, view.settings)
    assert again.runs is view.runs
    assert again.copper is view.copper
    after = look(again, checks)
    assert [(f.id, f.excess_db) for f in after.findings] == [(f.id, f.excess_db) for f in before.findings]


def test_a_board_that_says_everything_is_asked_nothing():
    b = small_board(ground=(2,))
    assert review(b.build(), Settings(), prove=True).questions == ()


def test_pin_headers_are_asked_about_together_and_a_usb_cable_about_its_shield():
    b = small_board(size_mm=(60, 40), ground=(2,))
    pins = header(4, pitch_mm=2.54, drill_mm=1.0, pad_mm=1.7)
    for ref, y, names in (("J1", 5, ("A0", "A1")), ("J2", 18, ("B0", "B1")), ("J3", 31, ("VBUS", "C1"))):
        b.part(ref, pins, (3, y), nets=(*names, "GND", "GND"), turn_deg=90)
        for i, name in enumerate(names):
            if name != "VBUS":
                b.part(f"U{ref[1]}{i}", chip("0402"), (40, y + 4 * i), nets=(name, "GND"))
                b.route(name, f"{ref}.{i + 1}", f"U{ref[1]}{i}.1")
    fast = NetSettings(role="signal", kind="clock", swing=3.3, rise=1e-9, source=35.0, rate=25e6)
    nets = dict.fromkeys(("A0", "A1", "B0", "B1", "C1"), fast)
    result = review(b.build(), Settings(nets=nets), prove=True)
    asked = {q.text: q for q in result.questions if "cable" in q.text}
    assert set(asked) == {
        "Which of J1 and J2 carry a cable in use, how long is it, and is it shielded?",
        "Is the cable at J3 shielded, its shield tied all round, and how long is it?",
    }
    gone = {title for title, before, after in asked[min(asked, key=lambda t: "J3" in t)].changes if after is None}
    assert {"A0 leaves by J1 unfiltered", "B1 leaves by J2 unfiltered"} <= gone
    main = [c.title for c in result.causes if c.standing == MAIN]
    filters = [title for title in main if "without enough of a filter" in title]
    assert filters[0] == "Lines leave by J3 without enough of a filter"
    assert set(filters[1:]) == {
        f"If {j} carries a cable: lines leave by {j} without enough of a filter" for j in ("J1", "J2")
    }
    assert all(title.startswith("If ") for title in main[main.index(filters[1]) :])


@pytest.mark.parametrize(
    ("net", "text"),
    [
        ("", "Which net was the plane on layer 3 meant for?"),
        ("VEE", "Is the plane of VEE on layer 3 meant to hang on no pin and no via, as the file has it?"),
    ],
)
def test_a_plane_that_nothing_ties_is_asked_about(net, text):
    b = small_board(size_mm=(60, 40), layers=4, ground=(2,))
    b.area(net, 3, [(9, 5), (51, 5), (51, 35), (9, 35)])
    b.trace("DATA", 4, [(8, 12), (52, 12)])
    fast = NetSettings(role="signal", kind="clock", swing=3.3, rise=0.2e-9, source=35.0, rate=100e6)
    nets = {"DATA": fast, "VEE": NetSettings(role="supply")}
    result = review(b.build(), Settings(nets=nets if net else {"DATA": fast}), prove=True)
    asked = result.questions[0]  # before all that was merely assumed
    assert (asked.text, asked.key) == (text, "")
    assert asked.crossing == 1
    assert [after for _, _, after in asked.changes] == [None]
