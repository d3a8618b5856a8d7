"""The plan file: what it may say; everything else is one clear sentence; what is written is read again."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietcopper.changes import ChangeError, apply_change, apply_changes, read_plan
from quietcopper.changes.kinds import EDITS
from quietcopper.changes.plan import plan_text
from quietcopper.errors import SettingsError


def plan(tmp_path, text):
    path = tmp_path / "plan.toml"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_plan(path)


def test_units_end_at_the_file_and_layers_count_from_one(tmp_path):
    one, two, three = plan(
        tmp_path,
        """
        [[change]]
        kind = "set-width"
        net = "CLK"
        layer = 4
        width_mm = 0.35

        [[change]]
        kind = "tie-fingers"
        net = "GND"
        layer = 1
        at_mm = [[1.5, 2], [3, -4]]

        [[change]]
        kind = "add-via"
        net = "GND"
        at_mm = [10, 20]
        layers = [2, 3]
        """,
    )
    assert (one.kind, one.arguments) == ("set-width", {"net": "CLK", "layer": 3, "width": pytest.approx(0.35e-3)})
    assert two.arguments["at"] == [pytest.approx((1.5e-3, 2e-3)), pytest.approx((3e-3, -4e-3))]
    assert three.arguments == {"net": "GND", "at": pytest.approx((10e-3, 20e-3)), "layers": [1, 2]}


BAD = {
    "": "found no change",
    "change = 3": "found no change",
    "[change]\nkind = 'set-width'": "found no change",
    "[[changes]]": "unknown key 'changes'",
    "[[change]]\nnet = 'A'": "found no kind",
    "[[change]]\nkind = 'set-widht'": "did you mean 'set-width'",
    "[[change]]\nkind = ['set-width']": "found kind",
    "[[change]]\nkind = 'set-width'\nnet = 'A'\nlayer = 1": "width_mm is missing",
    "[[change]]\nkind = 'set-width'\nnet = 'A'\nlayer = 1\nwidth = 0.2": "did you mean 'width_mm'",
    "[[change]]\nkind = 'set-width'\nnet = 'A'\nlayer = 1\nwidth_um = 200": "did you mean 'width_mm'",
    "[[change]]\nkind = 'set-width'\nnet = 'A'\nlayer = 0\nwidth_mm = 0.2": "layer number from 1",
    "[[change]]\nkind = 'set-width'\nnet = 'A'\nlayer = 1.0\nwidth_mm = 0.2": "layer number from 1",
    "[[change]]\nkind = 'set-width'\nnet = 'A'\nlayer = true\nwidth_mm = 0.2": "layer number from 1",
    "[[change]]\nkind = 'set-width'\nnet = ''\nlayer = 1\nwidth_mm = 0.2": "a name in quotes",
    "[[change]]\nkind = 'set-width'\nnet = 'A'\nlayer = 1\nwidth_mm = -1": "is the unit right",
    "[[change]]\nkind = 'set-width'\nnet = 'A'\nlayer = 1\nwidth_mm = nan": "expected a number",
    "[[change]]\nkind = 'set-width'\nnet = 'A'\nlayer = 1\nwidth_mm = inf": "expected a number",
    "[[change]]\nkind = 'set-width'\nnet = 'A'\nlayer = 1\nwidth_mm = '0.2'": "expected a number",
    "[[change]]\nkind = 'set-width'\nnet = 'A'\nlayer = 1\nwidth_mm = 1e9": "is the unit right",
    "[[change]]\nkind = 'add-via'\nnet = 'A'\nat_mm = [1]": "expected [x, y] in mm",
    "[[change]]\nkind = 'add-via'\nnet = 'A'\nat_mm = [1, 1e12]": "expected a number",
    "[[change]]\nkind = 'join-areas'\nlayer = 1\nnets = []": "expected a list of 1 to",
    "[[change]]\nkind = 'stitch'\nnet = 'A'\npitch_mm = 5\nedge = 1": "true or false",
    "[[change]]\nkind = 'stitch'\nnet = 'A'\npitch_mm = 5\nbox_mm = [1, 2, 3]": "[x0, y0, x1, y1]",
    "[[change]": "this is not TOML",
    "a = " + "[" * 5000: "this is not TOML",
    b"\xff\xfe": "not UTF-8",
    "[[change]]\nkind = 'stitch'\n" * 300: "more than",
}


@pytest.mark.parametrize("text", BAD, ids=range(len(BAD)))
def test_what_cannot_be_used_is_one_sentence_that_names_the_file(tmp_path, text):
    with pytest.raises(SettingsError) as caught:
        plan(tmp_path, text)
    message = str(caught.value)
    wanted = "nested too deeply" if isinstance(text, str) and text.startswith("a = [") else BAD[text]
    assert BAD[text] in message or wanted in message
    assert "plan.toml" in message
    assert "\n" not in message
    assert len(message) < 600


def test_a_missing_file_is_said(tmp_path):
    with pytest.raises(SettingsError, match="cannot be read"):
        read_plan(tmp_path / "none.toml")


VALUES = {
    "number": st.floats(0.3, 15).map(lambda v: round(v, 4)),
    "layer": st.integers(0, 30),
    "layers": st.lists(st.integers(0, 30), min_size=1, max_size=3),
    "flag": st.booleans(),
    "text": st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=12),
    "place": st.tuples(*[st.integers(-900_000, 900_000).map(lambda v: v * 1e-6)] * 2),
}
VALUES["texts"] = st.lists(VALUES["text"], min_size=1, max_size=3)
VALUES["places"] = st.lists(VALUES["place"], min_size=1, max_size=3)
VALUES["box"] = st.just((0.0, 1e-3, 2e-3, 3e-3))


@given(data=st.data(), kind=st.sampled_from(sorted(EDITS)))
def test_what_is_written_is_read_again(tmp_path_factory, data, kind):
    arguments = {}
    for a in EDITS[kind].arguments:
        if a.needed or data.draw(st.booleans()):
            value = data.draw(VALUES[a.kind])
            if a.kind == "number":
                value = min(max(value, a.low), a.high) * a.factor
            arguments[a.name] = value
    text = plan_text([("words\nof a change", kind, arguments)])
    (change,) = plan(tmp_path_factory.mktemp("plan"), text)
    assert change.kind == kind
    assert change.arguments.keys() == arguments.keys()
    for name, value in arguments.items():
        found = change.arguments[name]
        if isinstance(value, float | tuple):
            assert found == pytest.approx(value, abs=1e-9)
        elif isinstance(value, list) and isinstance(value[0], tuple):
            assert found == [pytest.approx(v, abs=1e-9) for v in value]
        else:
            assert found == value


def test_compound_changes_are_written_one_by_one(tmp_path):
    inner = [{"kind": "remove-area", "arguments": {"layer": 0, "at": [(1e-3, i * 1e-3)]}} for i in range(2)]
    text = plan_text([("remove both", "several", {"changes": inner})])
    assert [c.kind for c in plan(tmp_path, text)] == ["remove-area", "remove-area"]
    assert len(re.findall("# remove both", text)) == 1


def test_changes_are_made_in_their_order_and_unknown_ones_refused(split_board, rules):
    first = ("area-to-net", {"layer": 2, "net": "GND", "nets": ["3V3", "5V"]})
    via = ("add-via", {"net": "GND", "at": (20e-3, 5e-3), "layers": [1, 2]})
    done = apply_changes(split_board, [first, via], rules)
    assert len(done.board.vias) == len(split_board.vias) + 1
    with pytest.raises(ChangeError, match="no via"):
        apply_changes(split_board, [via, first], rules)
    with pytest.raises(ChangeError, match="no change is called 'paint'"):
        apply_change(split_board, "paint", {}, rules)
    with pytest.raises(ChangeError, match="found 0 changes"):
        apply_changes(split_board, [], rules)
