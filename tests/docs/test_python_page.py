"""docs/python.md at its word: its examples run, in order, and give what the prose says."""

from __future__ import annotations

import csv
import re
import subprocess
import sys
from pathlib import Path

import pytest

import quietcopper as qc
from quietcopper.build import Hop, chip, rectangle, small_board
from quietcopper.errors import CallError
from quietcopper.formats.ipc2581.writer import write_ipc2581

PAGE = Path(__file__).parents[2] / "docs" / "python.md"


def write_board(path, *, split):
    """A clock from one part to another, over a supply that is cut in two or whole."""
    b = small_board(ground=(2,))
    b.net("3V3", kind="power")
    b.net("5V", kind="power")
    b.area("3V3", 3, rectangle(0.5, 0.5, 24.75 if split else 49.5, 29.5))
    if split:
        b.area("5V", 3, rectangle(25.25, 0.5, 49.5, 29.5))
    b.part("R1", chip("0402"), (6, 15), nets=("", "CLK"))
    b.part("R2", chip("0402"), (44, 15), nets=("CLK", ""))
    b.route("CLK", "R1.2", (10, 15), Hop(4), (40, 15), Hop(1), "R2.1")
    write_ipc2581(b.build(), path)


@pytest.fixture(scope="module")
def ran(tmp_path_factory):
    """The names that the examples leave, and the folder they ran in."""
    text = PAGE.read_text(encoding="utf-8")
    folder = tmp_path_factory.mktemp("python-page")
    write_board(folder / "board.xml", split=True)
    write_board(folder / "next.xml", split=False)
    (folder / "board.toml").write_text(
        '[nets.CLK]\nkind = "clock"\nclock_mhz = 50.0\nrise_ps = 400.0\n', encoding="utf-8"
    )
    names: dict[str, object] = {}
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        for block in re.findall(r"```python\n(.*?)```", text, re.DOTALL):
            exec(compile(block, str(PAGE), "exec"), names)
    return names, folder


def test_the_frames_hold_what_the_document_holds(ran):
    names, _ = ran
    review = names["review"]
    found = review.document["findings"]
    assert review.findings["id"].tolist() == [f["id"] for f in found]
    assert review.findings["excess_db"].is_monotonic_decreasing
    assert review.causes["places"].sum() == sum(len(c["findings"]) for c in review.document["causes"])
    assert len(names["over"]) == sum(f["excess_db"] >= 0 for f in found)
    assert len(names["lines"]) == len(review.document["lines"])
    assert set(names["states"]) <= {"cured", "better", "remaining", "worse", "new"}
    assert "cured" in names["states"]


def test_the_pictures_and_the_summary_stand_alone(ran):
    names, folder = ran
    review = names["review"]
    drawn = (folder / "worst.svg").read_text(encoding="utf-8")
    assert drawn.startswith('<svg xmlns="http://www.w3.org/2000/svg"')
    assert review.picture(review.document["findings"][0]["id"])._repr_svg_() == drawn
    assert "<script" not in review._repr_html_()
    assert review.headline in review._repr_html_()
    with pytest.raises(CallError, match="no finding of this review"):
        review.picture(10_000)


def test_the_exports_can_be_read_by_others(ran):
    skrf = pytest.importorskip("skrf")
    names, folder = ran
    with (folder / "findings.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["id"] for row in rows] == names["review"].findings["id"].tolist()
    assert skrf.Network(str(folder / "clk.s2p")).nports == 2
    assert (folder / "board-review" / "review.html").exists()


def test_the_public_names_are_a_dozen_and_each_is_told():
    assert len(qc.__all__) == 12
    text = PAGE.read_text(encoding="utf-8").partition("## The public names")[2]
    assert sorted(re.findall(r"`(\w+)`", text)) == sorted(qc.__all__)
    assert all(getattr(qc, name).__doc__ for name in qc.__all__)
    code = "import sys, quietcopper; print([m for m in ('numpy', 'shapely') if m in sys.modules])"
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout == "[]\n"
