"""What is generated and checked in is what the program would write today."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path

import pytest

from quietcopper.build import small_board
from quietcopper.checks import NAMES, all_checks
from quietcopper.formats.ipc2581.writer import write_ipc2581

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def docs():
    spec = importlib.util.spec_from_file_location("tools_docs", ROOT / "tools" / "docs.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_page_of_checks_is_fresh(docs):
    assert (ROOT / "docs" / "checks.md").read_text(encoding="utf-8") == docs.checks_page(), "run 'make docs'"


def test_the_examples_table_is_fresh(docs):
    """Figures to half a decibel: the last digit may differ between machines."""

    def rows(text):
        table = text.partition(docs.BEGIN)[2].partition(docs.END)[0]
        return [[cell.strip() for cell in line.split("|")] for line in table.splitlines() if line.startswith("|")][2:]

    written = rows((ROOT / "README.md").read_text(encoding="utf-8"))
    fresh = rows(docs.BEGIN + docs.demo_table(docs.demo_comparison()) + docs.END)
    assert [row[1:3] for row in written] == [row[1:3] for row in fresh], "run 'make docs'"
    for old, new in zip(written, fresh, strict=True):
        for a, b in zip(old[3:5], new[3:5], strict=True):
            if a != b:
                assert float(a.split()[0]) == pytest.approx(float(b.split()[0]), abs=0.5), "run 'make docs'"


def test_every_check_says_what_it_must():
    for check in all_checks():
        assert re.fullmatch(r"[a-z]+(-[a-z]+)*", check.NAME)
        assert check.NAME in NAMES
        assert check.QUESTION.endswith("?")
        assert check.MECHANISM.strip()
        assert check.FORMULA.strip()
        assert check.SOURCES
        assert all(limit.source and limit.help.endswith(".") for limit in check.ALLOWANCES.values())


def test_every_check_has_its_test():
    text = "\n".join(p.read_text(encoding="utf-8") for p in (ROOT / "tests" / "checks").glob("test_*.py"))
    assert [name for name in NAMES if f'"{name}"' not in text] == []


def test_the_readme_starts_with_the_job_and_names_real_commands():
    from quietcopper.cli import COMMANDS

    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert readme.splitlines()[2].startswith("Quiet Copper reviews a finished printed-circuit-board layout")
    used = set(re.findall(r"^quietcopper ([a-z-]+)", readme, re.M))
    assert used <= {name.replace("_", "-") for name in COMMANDS}
    for link in re.findall(r"\]\((?!http)([^)#]+)\)", readme):
        assert (ROOT / link).exists(), link


def test_the_table_of_sections_has_a_row_for_a_board(monkeypatch, tmp_path):
    monkeypatch.syspath_prepend(str(ROOT / "tools"))
    import sections_table

    b = small_board(ground=(2,))
    for i in range(2):
        b.trace(f"N{i}", 1, [(5, 15 + 0.4 * i), (45, 15 + 0.4 * i)])
    write_ipc2581(b.build(), tmp_path / "board.xml")
    cells = [cell.strip() for cell in sections_table.row("two lines", tmp_path / "board.xml").split("|")[1:-1]]
    assert cells[:2] == ["two lines", "2"]
    assert len(cells) == sections_table.HEAD.splitlines()[-1].count("|") - 1
