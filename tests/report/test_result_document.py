"""A whole result as a document, checked against the schema both ways."""

from __future__ import annotations

import copy
import json
import math
from dataclasses import replace

import jsonschema
import pytest

from quietcopper.findings import Remedy
from quietcopper.findings.document import dumps, schema, to_document, write_document


@pytest.fixture(scope="module")
def validator():
    jsonschema.Draft202012Validator.check_schema(schema())
    return jsonschema.Draft202012Validator(schema())


def test_the_document_is_valid_and_has_the_contract_s_keys(invented, validator):
    _, document = invented
    validator.validate(document)
    assert list(document)[:3] == ["format", "board", "settings"]
    worst = document["findings"][0]
    assert worst["id"] == "trace-over-gap:SCK:BOT:38"
    assert worst["at_mm"] == [38, 23]
    assert worst["layers"] == ["BOT", "PWR"]
    assert (worst["predicted"], worst["allowed"], worst["unit"]) == (0.072, 0.0165, "V")
    assert worst["excess_db"] == pytest.approx(20 * math.log10(0.072 / 0.0165), abs=5e-5)  # four decimals
    assert worst["cause"] == document["causes"][0]["id"]


def test_lengths_leave_as_millimetres(invented):
    _, document = invented
    pair = next(f for f in document["findings"] if f["check"] == "planes-far-apart")
    assert (pair["predicted"], pair["allowed"], pair["unit"]) == (1.06, 0.58, "mm")


def _objects(node, path=()):
    if isinstance(node, dict):
        yield path, node
        for key, value in node.items():
            yield from _objects(value, (*path, key))
    elif isinstance(node, list):
        for i, value in enumerate(node[:2]):
            yield from _objects(value, (*path, i))


def test_a_missing_key_and_an_extra_key_are_both_refused(invented, validator):
    _, document = invented
    # 'change' is required whole, its arguments are free; evidence and settings are free; a line's extras are optional
    free = {"settings", "evidence", "arguments", "checks", "shape", "lines", "plane_pairs"}
    tried = 0
    for path, _ in list(_objects(document)):
        if free & set(map(str, path)):
            continue
        for extra in (True, False):
            changed = copy.deepcopy(document)
            target = changed
            for step in path:
                target = target[step]
            if extra:
                target["unknown_key"] = 1
            else:
                target.pop(next(iter(target)))
            assert not validator.is_valid(changed), f"{path} with {'an extra' if extra else 'a missing'} key passes"
            tried += 1
    assert tried > 40


def test_a_removed_finding_has_no_figure_but_says_so(build_result, validator):
    from quietcopper.findings import Result

    result: Result = build_result()
    first = result.findings[0]
    gone = replace(first, remedies=(Remedy(first.remedies[0].change, float("-inf")), Remedy(first.remedies[1].change)))
    document = to_document(replace(result, findings=(gone, *result.findings[1:])))
    validator.validate(document)
    removed, unknown = document["findings"][0]["remedies"]
    assert (removed["removed"], removed["excess_after_db"]) == (True, None)
    assert (unknown["removed"], unknown["excess_after_db"]) == (False, None)


def test_same_result_same_bytes(build_result, tmp_path):
    write_document(to_document(build_result()), tmp_path / "a.json")
    write_document(to_document(build_result()), tmp_path / "b.json")
    assert (tmp_path / "a.json").read_bytes() == (tmp_path / "b.json").read_bytes()
    assert json.loads((tmp_path / "a.json").read_text("utf-8")) == to_document(build_result())


def test_names_with_half_surrogates_still_make_readable_json(build_result, tmp_path):
    write_document(to_document(build_result(name="odd \udc80 name")), tmp_path / "a.json")
    assert json.loads((tmp_path / "a.json").read_text("utf-8"))["board"]["name"] == "odd \udc80 name"


def test_a_finding_without_a_finite_figure_is_refused(build_result):
    result = build_result()
    place = replace(result.findings[0].place, at=(float("nan"), 0.0))
    with pytest.raises(ValueError, match="a coordinate is nan"):
        to_document(replace(result, findings=(replace(result.findings[0], place=place),)))


def test_a_review_that_found_nothing_is_a_valid_document(build_result, validator):
    document = to_document(build_result(findings=[]))
    validator.validate(document)
    assert document["findings"] == []
    assert '"causes": []' in dumps(document)
