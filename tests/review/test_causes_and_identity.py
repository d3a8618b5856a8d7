"""Identity, order and causes depend on what findings mean, not on the order in which checks said them."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from quietcopper.findings import Allowance, CauseHint, Finding, Place, Proposal, Remedy, excess_db, grade
from quietcopper.findings.model import MAIN, SMALLER, WITHIN
from quietcopper.review.causes import group_causes, identify


def finding(
    predicted: float, *, subject=("CLK", "L4"), at=(0.0, 0.0), cause="gap:L3", check="trace-over-gap", after=None
):
    change = Proposal("layer 3 becomes ground", "area-to-net")
    return Finding(
        check=check,
        subject=subject,
        title="t",
        message="m",
        place=Place(at),
        predicted=predicted,
        allowance=Allowance(1.0, "V", "test"),
        cause=CauseHint(cause, f"about {cause}", change),
        remedies=(Remedy(change, after),) if after is not None else (),
    )


@pytest.mark.parametrize(
    ("excess", "word"),
    [
        (6.0, "change it"),
        (5.999, "improve it"),
        (0.0, "improve it"),
        (-0.001, "watch it"),
        (-6.0, "watch it"),
        (-6.1, "passes"),
    ],
)
def test_grade_follows_the_excess(excess, word):
    assert grade(excess) == word


def test_excess_is_twenty_log_of_the_ratio_and_refuses_nonsense():
    assert excess_db(2.0, 1.0) == pytest.approx(6.0206, abs=1e-4)  # 20·log10(2), exact
    assert excess_db(0.0, 1.0) == float("-inf")
    for predicted, allowed in [(1.0, 0.0), (float("nan"), 1.0), (1.0, float("inf")), (-1.0, 1.0)]:
        with pytest.raises(ValueError, match="no excess"):
            excess_db(predicted, allowed)


def test_ids_are_names_and_the_worst_of_equal_subjects_keeps_the_plain_one():
    said = [finding(1.0, at=(1e-3, 0.0)), finding(4.0, at=(2e-3, 0.0)), finding(1.0, at=(0.0, 0.0))]
    named = identify(said)
    assert [f.id for f in named] == ["trace-over-gap:CLK:L4", "trace-over-gap:CLK:L4:2", "trace-over-gap:CLK:L4:3"]
    assert [f.place.at for f in named] == [(2e-3, 0.0), (0.0, 0.0), (1e-3, 0.0)]


def test_order_of_the_checks_words_does_not_matter():
    said = [finding(1.0 + i, subject=(f"N{i % 4}", "L1"), at=(i * 1e-3, 0.0), cause=f"c{i % 3}") for i in range(12)]
    expected = identify(said), group_causes(identify(said))
    shuffled = said[:]
    random.Random(7).shuffle(shuffled)
    assert (identify(shuffled), group_causes(identify(shuffled))) == expected


def test_a_choice_behind_many_places_ranks_before_one_bad_place():
    many = [finding(2.0, subject=(f"D{i}", "L4"), cause="split plane") for i in range(4)]  # 4 x 6 dB
    one = [finding(8.0, subject=("RST", "L1"), cause="one place")]  # 18 dB
    causes = group_causes(identify(many + one))
    assert [c.standing for c in causes] == [MAIN, MAIN]
    assert [c.id for c in causes] == ["split-plane", "one-place"]
    assert causes[0].excess_before_db == pytest.approx(6.02, abs=0.01)


def test_what_only_an_assumed_cable_makes_a_cause_ranks_after_what_the_data_show():
    def about(key, predicted, supposed):
        one = finding(predicted, subject=(key, "L1"), cause=key)
        return replace(one, cause=replace(one.cause, supposed=supposed))

    said = [about("header", 30.0, True), about("gap", 3.0, False), about("small gap", 1.5, False)]
    causes = group_causes(identify(said))
    assert [c.id for c in causes] == ["gap", "header", "small-gap"]  # what is small stands behind both
    assert [c.supposed for c in causes] == [False, True, False]
    # one finding that does not hang on the cable is enough for the cause to stand on the data
    mixed = group_causes(identify([*said, about("header", 2.0, False)]))
    assert [c.id for c in mixed] == ["header", "gap", "small-gap"]


def test_a_cause_promises_a_figure_only_when_every_finding_has_one():
    a, b = finding(4.0, subject=("A", "L4"), after=-8.0), finding(2.0, subject=("B", "L4"), after=-3.0)
    assert group_causes(identify([a, b]))[0].excess_after_db == -3.0
    assert group_causes(identify([a, replace(b, remedies=())]))[0].excess_after_db is None


def test_a_choice_that_one_net_shows_is_that_nets_own():
    own = {net: CauseHint(f"way:{net}", f"{net} runs outside") for net in "AB"}

    def at(net, check, predicted):
        hint = CauseHint("height:L1", "lines lie far from their return", alone=own[net])
        place = Place((0.0, 0.0), nets=(net,))
        return replace(finding(predicted, subject=(net,), check=check), place=place, cause=hint)

    alone = group_causes(identify([at("A", "loop", 4.0), at("A", "cables", 2.0)]))
    assert [(c.id, len(c.findings)) for c in alone] == [("way-A", 2)]
    shared = group_causes(identify([at("A", "loop", 4.0), at("B", "loop", 2.0)]))
    assert [(c.id, len(c.findings)) for c in shared] == [("height-L1", 2)]


def test_what_adds_up_to_little_and_what_is_within_its_allowance_stand_behind():
    said = [
        finding(1.5, subject=("A", "L1"), cause="small"),  # 3.5 dB
        finding(0.9, subject=("B", "L1"), cause="near"),
        finding(0.95, subject=("C", "L1"), cause="near"),
        *(finding(1.3, subject=(f"D{i}", "L1"), cause="many") for i in range(3)),  # 3 x 2.3 dB
    ]
    causes = group_causes(identify(said))
    assert [(c.id, c.standing) for c in causes] == [("many", MAIN), ("small", SMALLER), ("near", WITHIN)]
    assert causes[0].sum_db == pytest.approx(3 * excess_db(1.3, 1.0))
