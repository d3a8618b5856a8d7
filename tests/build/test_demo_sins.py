"""What was planted in revision A is found there by the check that is meant to, and mended in revision B."""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path

import pytest
import shapely

from quietcopper.checks import NAMES, load
from quietcopper.demo import SETTINGS, SINS, Sin, revision_a, revision_b, write_demo
from quietcopper.electrical.settings import load_settings
from quietcopper.electrical.view import View
from quietcopper.findings import Finding
from quietcopper.formats import read_board

NEAR = 6e-3  # m, from the planted place to the finding's mark


@cache
def view(which: str, folder: Path) -> View:
    path = folder / "settings.toml"
    path.write_text(SETTINGS)
    return View(revision_a() if which == "a" else revision_b(), load_settings(path))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("demo")


@cache
def findings(which: str, check: str, folder: Path) -> list[Finding]:
    return [said for said in load(check).look(view(which, folder)) if isinstance(said, Finding)]


def matches(finding: Finding, sin: Sin) -> bool:
    at = shapely.Point(sin.at_mm[0] * 1e-3, sin.at_mm[1] * 1e-3)
    marks = [shapely.Point(finding.place.at)] + ([finding.place.shape] if finding.place.shape is not None else [])
    beside = min(mark.distance(at) for mark in marks) < NEAR
    return bool({*sin.nets} & {*finding.place.nets}) if sin.nets else beside


@pytest.mark.parametrize("sin", SINS, ids=lambda sin: sin.name)
def test_planted_and_found(sin: Sin, folder: Path) -> None:
    found = [f for f in findings("a", sin.check, folder) if matches(f, sin)]
    assert found
    assert max(f.excess_db for f in found) > -1  # at or above its allowance, or as good as


@pytest.mark.parametrize("check", NAMES)
def test_revision_b_holds_every_allowance(check: str, folder: Path) -> None:
    assert [(f.title, f.excess_db) for f in findings("b", check, folder) if f.excess_db >= 0] == []


UNPLANTED = {  # checks that have nothing to find on the example, and why
    "pair-lines-unequal": "the only pair lies beside nothing",
    "pair-disturbed": "nothing runs beside the only pair",
    "delays-differ-in-group": "the memory bus is slow against its lines",
    "connector-without-ground": "its connectors have ground pins beside slow lines, or a pair",
    "line-leaves-unfiltered": "what leaves it is slow, a pair or the antenna's",
    "weak-protection": "its one protector stands well",
    "clock-beside-connector": "its clocks stand away from its connectors",
    "noise-on-cable-line": "nothing fast runs beside what leaves it",
    "impedance-step": "lines that change have a target and are judged against it",
    "pair-out-of-balance": "its one pair is slow",
    "via-stub": "four layers, and lines on the outer two only: their vias are used whole",
    "supply-impedance-over-target": "every part that switches quickly has its capacitors",
    "capacitor-too-far": "they stand beside its pins",
    "supply-drop": "it draws half an ampere",
    "neck-over-its-current": "it draws half an ampere",
    "barrier-bridged": "it has no barrier",
    "switching-loop-too-large": "its capacitors stand at the switch",
    "branch-stub": "every fast line leads from one pin to one other",
    "antipads-merged": "its holes stand apart",
    "stitching-too-sparse": "its grounds are tied well within the allowance",
    "edge-not-stitched": "its grounds are tied along the edges",
    "pour-neck": "no plane is narrow under a line",
    "pair-off-target": "its one pair has no target",
    "reference-changes-along-run": "no line passes from one reference to another but over a gap",
}
FOLLOWS = {"plane-pair-rings": "the supply plane that is the reference of layer 4 rings as well"}


def test_each_check_has_something_to_find() -> None:
    assert {sin.check for sin in SINS} | set(UNPLANTED) | set(FOLLOWS) == set(NAMES)
    assert not {sin.check for sin in SINS} & set(UNPLANTED)


@pytest.mark.parametrize("check", FOLLOWS)
def test_what_follows_from_the_planted_is_found(check: str, folder: Path) -> None:
    assert max(f.excess_db for f in findings("a", check, folder)) > 0


@pytest.mark.parametrize("check", UNPLANTED)
def test_what_is_not_planted_is_not_over(check: str, folder: Path) -> None:
    assert [f.title for f in findings("a", check, folder) if f.excess_db >= 0] == []


def test_settings_fit_both_boards(folder: Path) -> None:
    assert tomllib.loads(SETTINGS)
    for which in "ab":
        v = view(which, folder)
        assert v.settings.unused(v.board) == ()


def test_the_demo_is_written_and_read_back(tmp_path: Path) -> None:
    old, new, settings = write_demo(tmp_path)
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(p.name for p in (old, new, settings))
    assert read_board(old).name == "Bogbean A"
    assert read_board(new).name == "Bogbean B"
    assert load_settings(settings).title.startswith("Bogbean")
