"""Solved sections kept in a file: what comes back, what is refused, what is never overwritten."""

from __future__ import annotations

import io
import json
import pickle
import zipfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from quietcopper.errors import OutOfRange, ReadError
from quietcopper.fields import section_store
from quietcopper.fields.section import Coat, CrossSection, Sheet, Strip
from quietcopper.fields.section_solver import SectionCache
from quietcopper.fields.section_store import load_sections, save_sections

LINE = Strip(0.0, 0.2e-3, 0.35e-3, 35e-6, 0.25)
SINGLE = CrossSection((LINE,), (), (Sheet(0.2e-3, 4.3, 0.02),))
PAIR = CrossSection(
    (LINE, replace(LINE, x=0.6e-3)), (replace(LINE, x=-2e-3, width=2e-3, etch=0.0),), (Sheet(0.2e-3, 4.3),),
    coat_above=Coat(20e-6, 15e-6, 3.5),
)  # fmt: skip
IMPOSSIBLE = CrossSection((LINE, replace(LINE, x=0.1e-3)), (), (Sheet(0.2e-3, 4.3),))


def solved() -> SectionCache:
    cache = SectionCache()
    for section in (SINGLE, PAIR):
        cache.solve(section)
    with pytest.raises(OutOfRange):
        cache.solve(IMPOSSIBLE)
    return cache


def test_solutions_come_back_bit_for_bit_and_are_counted(tmp_path: Path) -> None:
    first, path = solved(), tmp_path / "kept.npz"
    save_sections(first, path)
    second = load_sections(path)
    for section in (SINGLE, PAIR):
        ours, theirs = first.solve(section), second.solve(section)
        assert_array_equal(ours.capacitance, theirs.capacitance)
        assert_array_equal(ours.inductance, theirs.inductance)
        assert ours.error == theirs.error
    with pytest.raises(OutOfRange, match=r"overlap|touch"):
        second.solve(IMPOSSIBLE)
    second.solve(SINGLE)
    assert (second.misses, second.hits, second.tally.restored) == (0, 4, 3)


def test_accuracies_are_kept_apart(tmp_path: Path) -> None:
    cache, path = SectionCache(), tmp_path / "kept.npz"
    cache.at(2e-4).solve(SINGLE)
    save_sections(cache, path)
    later = load_sections(path)
    assert later.at(2e-4).solve(SINGLE).error <= 2e-4
    later.solve(SINGLE)
    assert (later.misses, later.hits) == (1, 1)


def test_what_another_run_added_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "kept.npz"
    one, other = SectionCache(), SectionCache()
    one.solve(SINGLE)
    other.solve(PAIR)
    save_sections(one, path)
    save_sections(other, path)
    assert len(load_sections(path).solutions) == 2


def test_the_file_is_bounded_and_what_was_not_used_goes_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "kept.npz"
    save_sections(solved(), path)
    cache = load_sections(path)
    cache.solve(SINGLE)
    monkeypatch.setattr(section_store, "MOST", 1)
    save_sections(cache, path)
    kept = load_sections(path)
    kept.solve(SINGLE)
    assert len(kept.solutions) == 1
    assert kept.misses == 0


def test_another_solver_s_results_are_left_aside(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "kept.npz"
    save_sections(solved(), path)
    monkeypatch.setattr(section_store, "solver_state", lambda: "another")
    assert not load_sections(path).solutions
    save_sections(SectionCache(), path)
    monkeypatch.undo()
    assert not load_sections(path).solutions


def _archive(head: object, values: np.ndarray, extra: str = "") -> bytes:
    buffer = io.BytesIO()
    text = json.dumps(head).encode()
    arrays = {"head": np.frombuffer(text, dtype=np.uint8), "values": values}
    np.savez(buffer, **arrays, **({extra: values} if extra else {}))
    return buffer.getvalue()


def _pickled() -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        for name in ("head.npy", "values.npy"):
            member = io.BytesIO()
            np.save(member, np.array([{"a": 1}], dtype=object), allow_pickle=True)
            archive.writestr(name, member.getvalue())
    return buffer.getvalue()


ROW = {"section": {"lines": []}, "accuracy": 1e-3, "error": 1e-3}
GOOD = {"format": section_store.FORMAT, "solver": section_store.solver_state()}


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"a settings file\n",
        pickle.dumps({"a": 1}),
        _pickled(),
        _archive({"format": "other", "solver": "", "sections": []}, np.empty(0)),
        _archive({**GOOD, "sections": [ROW]}, np.empty(0)),
        _archive({**GOOD, "sections": []}, np.empty(0), extra="more"),
        _archive({**GOOD, "sections": []}, np.array(["text"])),
    ],
    ids=["empty", "text", "pickle", "pickled arrays", "other format", "broken row", "more members", "no numbers"],
)
def test_any_other_file_is_refused_and_left_as_it_was(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "kept.npz"
    path.write_bytes(content)
    for call in (lambda: load_sections(path), lambda: save_sections(solved(), path)):
        with pytest.raises(ReadError, match=r"kept\.npz: found .*; expected a file of solved cross-sections.*delete"):
            call()
    assert path.read_bytes() == content


def test_a_bomb_is_not_unpacked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "kept.npz"
    save_sections(solved(), path)
    monkeypatch.setattr(section_store, "LARGEST", 100)
    with pytest.raises(ReadError, match="another archive"):
        load_sections(path)
