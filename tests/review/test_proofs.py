"""What is proposed is proven: the figures after a change are those of the changed board, and the order of causes is the
one that the trade expects."""

from __future__ import annotations

import dataclasses
import json
from types import SimpleNamespace

import pytest

from quietcopper import workers
from quietcopper.build import Hop, chip, rectangle, small_board
from quietcopper.changes import Changed, read_plan
from quietcopper.changes.plan import plan_text
from quietcopper.electrical.settings import NetSettings, Settings
from quietcopper.electrical.view import View
from quietcopper.findings import Allowance, Cause, CauseHint, Finding, Place, Proposal, Remedy
from quietcopper.findings.document import to_document
from quietcopper.findings.model import ADVICE, CANNOT, HARMS, HELPS_NOT
from quietcopper.report import words
from quietcopper.report.outlook import cause_outlook, place_outlook
from quietcopper.review import prove, review
from quietcopper.review.causes import advised, group_causes
from quietcopper.review.plan import in_order
from quietcopper.review.prove import NO_TIME, is_solved
from quietcopper.review.trial import Bench
from quietcopper.workers import several_processes

FAST = NetSettings(role="signal", kind="clock", swing=3.3, rise=0.5e-9, source=50.0, rate=50e6)


def split_supply(lines=4):
    """Ground on layer 2, two supplies on layer 3; lines on layer 4 cross the split, two on layer 1 run side by side."""
    b = small_board(size_mm=(70, 40), ground=(2,))
    for net in ("3V3", "5V"):
        b.net(net, kind="power")
    for net, x in (("3V3", 0.5), ("5V", 35.25)):
        b.pour(net, 3, rectangle(x, 0.5, x + 34.25, 39.5), keep_islands=True)
        b.part(f"C{net}", chip("0402"), (x + 3, 3), nets=(net, "GND"), value="100n")
        b.drop(f"C{net}.1", (-0.9, 0))
        b.drop(f"C{net}.2", (0.9, 0))
    for i in range(lines):
        b.trace(f"D{i}", 4, [(12, 8 + 3 * i), (58, 8 + 3 * i)])
    for i in range(2):
        b.trace(f"S{i}", 1, [(8, 30 + 0.45 * i), (62, 30 + 0.45 * i)])
    return b.build()


@pytest.fixture(scope="module")
def split():
    board = split_supply()
    settings = Settings(patterns={"D?": FAST, "S?": FAST})
    return board, settings, review(board, settings, prove=True)


@pytest.fixture(scope="module")
def overshooting():
    b = small_board(size_mm=(120, 30), ground=(2,))
    for i in range(3):
        b.part(f"U{i + 2}", chip("0402"), (95, 8 + 6 * i), nets=(f"D{i}", "GND"))
        b.part(f"U{i + 5}", chip("0402"), (5, 8 + 6 * i), nets=(f"D{i}", "GND"), turn_deg=180)
        b.route(f"D{i}", f"U{i + 5}.1", f"U{i + 2}.1")
        b.drop(f"U{i + 2}.2", (1, 0))
        b.drop(f"U{i + 5}.2", (-1, 0))
    board = b.build()
    strong = NetSettings(role="signal", kind="clock", swing=3.3, rise=0.5e-9, source=20.0, rate=100e6)
    settings = Settings(nets={f"D{i}": strong for i in range(3)})
    return board, settings, review(board, settings, prove=True)


@pytest.mark.parametrize("which", ["split", "overshooting"])
def test_every_proposal_does_what_it_is_told_to(which, request, broken):
    assert broken(*request.getfixturevalue(which)) == []


@pytest.mark.parametrize("which", ["split", "overshooting"])
def test_no_proposal_keeps_a_figure_that_was_not_solved(which, request):
    _, _, result = request.getfixturevalue(which)
    for finding in result.findings:
        for remedy in finding.remedies:
            if not is_solved(remedy.solved):
                assert remedy.excess_after_db is None
                assert remedy.solved != "estimate"
    for cause in result.causes:
        assert is_solved(cause.solved) or cause.excess_after_db is None


def test_a_split_supply_plane_outranks_the_moving_of_single_traces(split):
    """Common practice, no source: the plane first, then the traces."""
    _, _, result = split
    titles = [c.title for c in result.causes]
    first = result.causes[0]
    assert first.change.kind == "area-to-net"
    assert "supplies" in first.title
    moving = [c for c in result.causes if c.change and c.change.kind in ("set-spacing", "spread-bundle", "shift-trace")]
    assert all(titles.index(c.title) > 0 for c in moving)
    gains = {
        c.id: sum(
            max(f.excess_db, 0)
            - max(min((r.excess_after_db for r in f.remedies if r.excess_after_db is not None), default=f.excess_db), 0)
            for f in result.findings
            if f.id in c.findings
        )
        for c in result.causes
    }
    assert gains[first.id] == max(gains.values())
    assert result.plan.steps[0].change == first.change


def test_an_indicator_with_a_fast_edge_can_outrank_a_slow_clock():
    """Common practice, no source: the edge counts, not the rate."""
    b = small_board(ground=(2,))
    for net, x in (("VA", 0.5), ("VB", 25.25)):
        b.pour(net, 3, rectangle(x, 0.5, x + 24.25, 29.5), keep_islands=True)
    for i, net in enumerate(("LED_STATUS", "CLK_SLOW")):
        b.trace(net, 4, [(6, 8 + 12 * i), (44, 8 + 12 * i)])
    slow = {"role": "signal", "swing": 3.3, "source": 30.0}
    supply = NetSettings(role="supply", voltage=3.3)
    settings = Settings(
        nets={
            "LED_STATUS": NetSettings(kind="slow", rise=0.5e-9, rate=1.0, **slow),
            "CLK_SLOW": NetSettings(kind="clock", rise=20e-9, rate=1e6, **slow),
            "VA": supply,
            "VB": supply,
        }
    )
    result = review(b.build(), settings)
    order = [f.place.nets[0] for f in (*result.findings, *result.passing) if f.check == "trace-over-gap"]
    assert order[0] == "LED_STATUS"


def test_the_plan_as_a_file_makes_the_same_board(overshooting, tmp_path):
    board, settings, result = overshooting
    assert result.plan.over_after < result.plan.over_before
    steps = in_order(result.plan)
    path = tmp_path / "plan.toml"
    path.write_text(plan_text([(s.change.text, s.change.kind, s.change.arguments) for s in steps]), encoding="utf-8")
    bench = Bench.of(View(board, settings), ())
    done = Changed(board)
    for change in read_plan(path):
        done = bench.apply(done, Proposal(change.kind, change.kind, change.arguments))
    after = review(done.board, bench.settings_after(done))
    assert [f.title for f in after.findings if f.excess_db >= 0] == list(result.plan.left)


def test_two_processes_prove_what_one_proves(monkeypatch, split):
    board, settings, alone = split
    monkeypatch.setattr(workers, "_cores", lambda: 2)
    with several_processes(2):
        together = review(board, settings, prove=True)
    assert to_document(together) == to_document(alone)


def test_what_is_left_out_for_time_says_so(monkeypatch):
    monkeypatch.setattr(prove, "most_proofs", lambda board: 1)
    result = review(split_supply(2), Settings(patterns={"D?": FAST, "S?": FAST}), prove=True)
    open_ = [c for c in result.causes if c.solved == NO_TIME]
    assert open_ or len([c for c in result.causes if c.excess_before_db >= 0]) == 1
    assert all(c.excess_after_db is None for c in open_)
    json.dumps(to_document(result))


def test_lines_that_change_layers_get_vias_that_hold_what_they_promise(broken):
    b = small_board(size_mm=(60, 30), ground=(2, 3))
    b.route("CLK", (8, 15), (30, 15), Hop(4), (52, 15), layer=1)
    b.via("GND", (4, 4))
    board, settings = b.build(), Settings(nets={"CLK": FAST})
    result = review(board, settings, prove=True)
    assert broken(board, settings, result) == []
    over = [f for f in result.findings if f.check == "layer-change-without-return" and f.excess_db >= 0]
    assert all(any(is_solved(r.solved) for r in f.remedies) for f in over)


def test_a_change_that_leaves_the_worst_place_is_told_as_tried():
    """Most of what a line drives by its own voltage stays with a resistor; the cause keeps its words."""

    def found(net, volts):
        place = Place((0.0, 0.0), nets=(net,))
        hint = CauseHint("way:A", "A runs outside", Proposal("run it inside"))
        return Finding("c", (net,), net, "m", place, volts, Allowance(1.0, "V", "test"), hint, id=net)

    worst, lesser = found("A", 4.0), found("B", 1.5)
    findings = (worst, lesser)
    cause = group_causes(list(findings))[0]
    result = SimpleNamespace(findings=findings)

    def told(after):
        trial = SimpleNamespace(
            change=Proposal("33 ohm"), after=after, new=(), notes=(), unseen=(), worst_new=-99.0, excess=0.0
        )
        return prove._told_cause(cause, trial, [], result)

    stays = told({"A": worst.excess_db, "B": -5.0})
    assert (stays.change.text, stays.excess_after_db, stays.solved) == ("run it inside", None, ADVICE)
    assert stays.notes == ("Tried: 33 ohm; the worst place stays as it is.",)
    own = dataclasses.replace(cause, change=Proposal("fill it", "close-openings"))
    cause = own
    nothing = told({"A": worst.excess_db + 1, "B": 3.0})
    assert (nothing.change, nothing.tried, nothing.excess_after_db) == (None, HELPS_NOT, None)
    falls = told({"A": 2.0, "B": -5.0})
    assert (falls.change.text, falls.excess_after_db, is_solved(falls.solved)) == ("33 ohm", 2.0, True)


def test_words_without_an_edit_are_advice_and_have_no_figure():
    place = Place((0.0, 0.0), nets=("A",))
    advice, edit = Proposal("lead A elsewhere"), Proposal("33 ohm", "series-resistor", {"nets": ["A"], "ohm": 33.0})
    remedies = (Remedy(advice, -20.0), Remedy(edit, 1.0))
    found = Finding(
        "c", ("A",), "A", "m", place, 4.0, Allowance(1.0, "V", "test"), CauseHint("a", "a", advice), remedies
    )
    told = advised(found)
    assert [(r.excess_after_db, r.solved) for r in told.remedies] == [(None, ADVICE), (1.0, "estimate")]
    (cause,) = group_causes([dataclasses.replace(told, id="A")])
    assert (cause.excess_after_db, cause.solved) == (None, ADVICE)
    row = {"text": advice.text, "kind": ""}
    shown = {"change": row, "excess_before_db": 12.0, "excess_after_db": None, "removed": False}
    assert words.gain(shown) == "Lead A elsewhere. It was not tried: how it is done is the designer's."


def test_a_change_that_cannot_be_made_on_the_board_is_told_as_tried_and_not_proposed():
    """Eleven lines in a gap of 9 mm cannot be spread to 2.69 mm between them."""
    place = Place((0.0, 0.0), nets=("A",))
    spread = Proposal("spread the bundle to 2.69 mm", "spread-bundle", {"nets": ["A"], "layer": 0, "spacing": 2.69e-3})
    hint = CauseHint("spacing of lines", "Lines run close", spread)
    remedies = (Remedy(spread, None, "not solved"),)
    worst = Finding("c", ("A",), "A", "m", place, 4.0, Allowance(1.0, "V", "test"), hint, remedies, id="A")
    (cause,) = group_causes([worst])
    refused = [(spread, "A is too short to be moved by 8.7 mm")]
    told = prove._settled_cause(
        prove._Proven(prove._unproven(cause, refused), [prove._refused(worst, refused)], None, refused)
    )
    assert (told.change, told.tried, told.excess_after_db) == (None, CANNOT, None)
    assert told.notes == (
        "Tried: spread the bundle to 2.69 mm; it cannot be made, A is too short to be moved by 8.7 mm.",
    )
    (remedy,) = prove._settled(prove._refused(worst, refused)).remedies
    assert remedy.solved == CANNOT
    # a trial that could not judge the cause's places was made: time was not what it lacked
    trial = SimpleNamespace()
    seen = prove._settled_cause(prove._Proven(dataclasses.replace(cause, solved="not solved"), [worst], trial, []))
    assert seen.solved == "not solved"
    row = {"text": "spread the bundle to 2.69 mm", "kind": "spread-bundle"}
    remedies = [{"change": row, "excess_after_db": None, "removed": False, "how": CANNOT}]
    found = {"excess_db": 12.0, "remedies": remedies}
    shown = {"change": None, "excess_before_db": 12.0, "excess_after_db": None, "removed": False, "tried": told.tried}
    assert place_outlook(found) is None
    assert cause_outlook(shown, [found, found]) is None
    assert words.gain(shown).startswith("None of the changes that were tried can be made on this board")


def test_a_change_that_makes_something_as_bad_is_no_proposal_and_cures_nothing_along():
    """Pour drawn back from one line takes the reference of forty others."""

    def found(net, volts, key, change=None):
        place = Place((0.0, 0.0), nets=(net,))
        hint = CauseHint(key, key, change)
        remedies = (Remedy(change, None, "not solved"),) if change else ()
        return Finding("c", (net,), net, "m", place, volts, Allowance(1.0, "V", "test"), hint, remedies, id=net)

    away = Proposal("keep pour 4.59 mm away", "set-pour-gap", {"net": "A", "layer": 0, "gap": 4.59e-3})
    one, other = found("A", 2.5, "pour", away), found("B", 2.0, "neck")
    causes = {c.id: c for c in group_causes([one, other])}
    made = found("C", 7.8, "cables")
    trial = SimpleNamespace(
        change=away,
        after={"A": -47.0, "B": -1.0},
        new=(made,),
        notes=(),
        unseen=(),
        worst_new=made.excess_db,
        excess=40.0,
    )
    result = SimpleNamespace(findings=(one, other))
    cause = prove._told_cause(causes["pour"], trial, [], result)
    assert (cause.change, cause.tried, cause.excess_after_db, is_solved(cause.solved)) == (None, HELPS_NOT, None, False)
    assert cause.notes == ("Tried: keep pour 4.59 mm away; it makes or worsens: C (+17.8 dB then).",)
    told = prove._settled(prove._told(one, trial, [away], own=True, harms=prove._harms(trial, causes["pour"], result)))
    assert [(r.excess_after_db, r.solved) for r in told.remedies] == [(None, HARMS)]
    lesser = Proposal("33 ohm", "series-resistor", {"nets": ["A"], "ohm": 33.0})  # what else is proposed comes next
    both = dataclasses.replace(told, remedies=(*told.remedies, Remedy(lesser, None, "not solved")))
    assert prove._open([both], []) == [lesser]
    proven = [prove._Proven(cause, [told], trial, []), prove._Proven(causes["neck"], [other], None, [])]
    assert [c.cured_by for c in prove._cured_along(proven)] == ["", ""]
    trial.excess = 10.0  # less is left in all: proposed, with what it costs told beside it
    assert prove._told_cause(causes["pour"], trial, [], result).change == away


def test_what_a_worse_causes_change_cures_stands_with_it():
    def found(net, volts, key):
        place = Place((0.0, 0.0), nets=(net,))
        return Finding("c", (net,), net, "m", place, volts, Allowance(1.0, "V", "test"), CauseHint(key, key), id=net)

    findings = [found("A", 8.0, "plane"), found("B", 3.0, "pour"), found("C", 3.0, "trace")]
    causes = [dataclasses.replace(cause, solved=prove.SOLVED) for cause in group_causes(findings)]
    own = {cause.id: [f for f in findings if f.id in cause.findings] for cause in causes}
    trial = SimpleNamespace(after={"A": -1.0, "B": prove.GONE, "C": 0.5})
    proven = [prove._Proven(c, own[c.id], trial if c.id == "plane" else None, []) for c in causes]
    assert {c.id: c.cured_by for c in prove._cured_along(proven)} == {"plane": "", "pour": "plane", "trace": ""}
    trial.after["A"] = 0.1  # what does not cure its own cause takes no other along
    assert all(not c.cured_by for c in prove._cured_along(proven))


def test_changes_in_the_same_words_are_told_once():
    change, other = (Proposal("spread the bundle", "spread-bundle", {"layer": layer}) for layer in (0, 3))
    cause = Cause("bundle", "lines run close", (), None, 1.0, None)
    assert prove._together(cause, [change, other]).text == "spread the bundle"


def test_only_words_that_say_what_all_places_get_name_it():
    edits = [Proposal(f"33 ohm in {net}", "series-resistor", {"nets": [net], "ohm": 33.0}) for net in "ABC"]
    advice = Proposal("a plane nearer to the bundle")
    cause = Cause("bundle", "lines run close", ("A",), advice, 1.0, None)
    assert prove._together(cause, edits).text == "33 ohm in A, and 2 more places each by its own change"
    every = dataclasses.replace(cause, change=Proposal("a resistor in each", of_places=True))
    assert prove._together(every, edits).text == "a resistor in each"
    # where all of that was tried in vain, the same in words is no advice
    assert prove._none_left(every, HELPS_NOT, ()).change is None
    assert prove._none_left(cause, HELPS_NOT, ()).change == advice
