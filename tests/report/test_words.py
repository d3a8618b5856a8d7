"""Numbers and sentences."""

from __future__ import annotations

import pytest

from quietcopper.report import words


def review(*causes, coverage=1, total=1, not_checked=0):
    """A document with one cause for each list of excesses."""
    grade = {True: "change it", False: "improve it"}
    findings, groups = [], []
    for c, excesses in enumerate(causes):
        ids = []
        for k, excess in enumerate(excesses):
            ids.append(f"{c}.{k}")
            name = grade[excess >= 6] if excess >= 0 else "watch it"
            findings.append({"id": ids[-1], "grade": name, "excess_db": excess})
        groups.append(
            {
                "title": f"Cause {c}",
                "findings": ids,
                "change": {"text": "layer 3 becomes ground", "kind": "area-to-net"},
                "excess_before_db": max(excesses),
                "excess_after_db": -1.4,
                "removed": False,
                "id": f"cause-{c}",
                "cured_by": None,
            }
        )
    return {
        "findings": findings,
        "causes": groups,
        "coverage": [{"looked": coverage, "total": total}],
        "not_checked": [{}] * not_checked,
    }


@pytest.mark.parametrize(
    ("document", "sentence"),
    [
        (review([12.8] * 9, [7.0, 7.0]), "One cause explains nine of the eleven places to change."),
        (review([12.8] * 5, [3.0]), "One cause explains all five places to change."),
        (review([12.8] * 2), "One cause explains both places to change."),
        (review([8.0] * 4, [7.0] * 4, [6.5]), "Two causes explain eight of the nine places to change."),
        (review(*[[7.0]] * 14), "14 places to change, each with a cause of its own."),
        (review(*[[7.0, 7.0]] * 14), "28 places to change, from 14 causes."),
        (review([7.0], [1.0, 2.0]), "There is one place to change."),
        (review([1.0, 2.0]), "One cause explains both places to improve."),
        (review([20.0], [8.0] * 4), "Cause 2 explains four of the five places to change."),
        (review([20.0], [8.0] * 3, [7.0], [7.0] * 3), "Causes 2 and 4 explain six of the eight places to change."),
        (review([-1.0, -2.0]), "Nothing is over its allowance; two places come close."),
        (review(), "Everything that was checked is within its allowance."),
        (review(not_checked=2), "What could be checked is within its allowance."),
        (review(coverage=0), "Nothing on this board could be checked."),
        (review(coverage=1, total=20), "Little of this board could be checked."),
    ],
)
def test_the_headline_states_the_verdict_from_the_counts(document, sentence):
    assert words.headline(document) == sentence


def test_the_standfirst_names_the_first_cause_and_its_gain():
    text = words.standfirst(review([12.8, 7.0]))
    assert text == "Cause 0. Layer 3 becomes ground: the worst excess falls from +12.8 dB to −1.4 dB."
    assert (
        words.standfirst(review([-1.0], not_checked=3)) == "Three things could not be checked; the reasons stand below."
    )
    assert words.standfirst(review([-1.0])) == ""
    unknown = review([12.8])
    unknown["causes"][0]["excess_after_db"] = None
    assert words.standfirst(unknown) == "Cause 0. Proposed: layer 3 becomes ground."


def test_the_standfirst_tells_first_what_the_data_leave_out():
    document = review([-1.0])
    document["board"] = {"parts": 0, "vias": 0, "nets": 7, "layers": ["top", "bottom"]}
    bare = words.standfirst(document)
    assert bare.startswith("The data name no parts: what drives each line is assumed")
    assert bare.endswith("The data hold no holes: nothing joins the layers, and no change of layers could be checked.")
    document["assumptions"] = [{"what": "net names", "value": 7}]
    assert words.standfirst(document).startswith("The data name neither nets nor parts")
    document["board"] = {"parts": 3, "vias": 5, "nets": 7, "layers": ["top", "bottom"]}
    assert words.standfirst(document) == ""


def test_a_change_that_leaves_nothing_or_was_not_worked_out_says_so():
    cause = review([3.0])["causes"][0]
    assert (
        words.gain({**cause, "removed": True, "excess_after_db": None})
        == "Layer 3 becomes ground: nothing of it is left."
    )
    assert (
        words.gain({**cause, "excess_after_db": None})
        == "Layer 3 becomes ground. What it would gain was not worked out."
    )
    assert words.gain({**cause, "excess_after_db": 4.0}).endswith("rises from +3.0 dB to +4.0 dB.")
    assert words.gain({**cause, "excess_after_db": 2.9}).endswith("the worst excess stays at +2.9 dB.")
    assert "beside the places" in words.gain({**cause, "findings": ["0.0", "0.1"], "excess_after_db": 2.9})
    advice = {"text": "ask for a slower driver", "kind": ""}
    assert words.gain({**cause, "change": advice}).endswith("It was not tried: how it is done is the designer's.")
    assert words.gain({**cause, "change": None}) == ""


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (0.0612, "V", "61.2 mV"),
        (4.9e-9, "H", "4.9 nH"),
        (1.06, "mm", "1.06 mm"),
        (0.02, "mm", "20 µm"),
        (0.1, "1", "10 %"),
        (7.42e8, "Hz", "742 MHz"),
        (52.44, "ohm", "52.4 Ω"),
        (43.4, "dBuV/m", "43.4 dBµV/m"),
        (-3.0, "dB", "−3 dB"),
        (None, "V", "not known"),
    ],
)
def test_figures_have_the_unit_that_suits_their_size(value, unit, text):
    assert words.figure(value, unit) == text


def test_assumed_values_keep_their_words_and_get_friendly_sizes():
    assert words.assumed(5.8e7, "S/m") == "58 MS/m"
    assert words.assumed(1000.0, "ps") == "1000 ps"
    assert words.assumed(4.4, "1") == "4.4"
    assert words.assumed(0.00021, "m") == "0.21 mm"
    assert words.assumed("1 ns (3), 1 µs (2)", "") == "1 ns (3), 1 µs (2)"


def test_decibels_have_a_sign_and_name_what_has_no_figure():
    assert words.decibels(12.84) == "+12.8 dB"
    assert words.decibels(-1.36) == "−1.4 dB"
    assert words.decibels(-0.04) == "0.0 dB"
    assert words.decibels(None, removed=True) == "nothing left"
    assert words.decibels(None) == "–"


@pytest.mark.parametrize(
    ("key", "value", "row"),
    [
        ("slot_mm", 23.1, ("slot", "23.1 mm")),
        ("excess_inductance_nh", 4.9, ("excess inductance", "4.9 nH")),
        ("highest_frequency_hz", 5e8, ("highest frequency", "500 MHz")),
        ("er", 4.2, ("εr", "4.2")),
        ("past_the_board_ff", 4.73, ("capacitance past the board", "4.73 fF")),
        ("bridged", True, ("bridged", "yes")),
        ("way", "round the corner", ("way", "round the corner")),
        ("area_mm2", 12.0, ("area", "12 mm²")),
        ("_mm", 1.0, ("mm", "1")),
    ],
)
def test_evidence_keys_become_names_and_figures(key, value, row):
    assert words.scalar(key, value) == row


def test_names_at_the_start_of_a_sentence_keep_their_case():
    assert words.sentence("remove the piece") == "Remove the piece."
    assert words.sentence("nRESET is far") == "nRESET is far."
    assert words.listed(["a", "b", "c"]) == "a, b and c"
    assert words.listed(list("abcdef")) == "a, b, c and 3 more"


def test_what_another_cause_cures_counts_with_it():
    document = review([12.0, 9.0], [8.0], [7.0, 6.5])
    assert words.headline(document) == "Causes 1 and 3 explain four of the five places to change."
    document["causes"][1]["cured_by"] = document["causes"][2]["cured_by"] = "cause-0"
    assert words.headline(document) == "One cause explains all five places to change."
