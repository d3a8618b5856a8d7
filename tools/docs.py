"""Writes docs/checks.md from the check modules and the example's table into README.md. Tests fail while they are
stale."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from quietcopper.checks import all_checks
from quietcopper.demo import write_demo
from quietcopper.electrical.settings import load_settings
from quietcopper.findings import Comparison
from quietcopper.formats import read_board
from quietcopper.review import review
from quietcopper.review.compare import compare

ROOT = Path(__file__).parents[1]
BEGIN, END = "<!-- demo:begin -->\n", "<!-- demo:end -->"


def checks_page() -> str:
    """docs/checks.md, one section a check."""
    out = [
        "# Checks",
        "",
        "Written by `make docs` from the check modules; `quietcopper explain CHECK` prints the same.",
        "",
    ]
    for check in all_checks():
        out += [f"## {check.NAME}", "", f"**{check.QUESTION}**", "", " ".join(check.MECHANISM.split()), ""]
        out += [f"*How it is predicted.* {' '.join(check.FORMULA.split())}", ""]
        out += ["| allowance | default | unit | what it is | source |", "|---|---|---|---|---|"]
        for key, limit in check.ALLOWANCES.items():
            out.append(f"| `{check.NAME}.{key}` | {limit.default:g} | {limit.unit} | {limit.help} | {limit.source} |")
        out += ["", "Sources: " + "; ".join(check.SOURCES) + ".", ""]
    return "\n".join(out)


def demo_comparison() -> Comparison:
    """Both revisions of the example, reviewed and compared."""
    with tempfile.TemporaryDirectory() as folder:
        old, new, settings_file = write_demo(Path(folder))
        settings = load_settings(settings_file)
        boards = read_board(old), read_board(new)
    results = [review(board, settings) for board in boards]
    return compare(*results, *boards)


def demo_table(comparison: Comparison) -> str:
    """The causes of revision A that exceed their allowance, before and after, as a Markdown table."""
    counts = {s: sum(m.state == s for m in comparison.findings if m.shown) for s in ("cured", "better", "worse", "new")}
    out = ["| cause in revision A | places | worst before | after revision B |", "|---|---|---|---|"]
    for cause in comparison.causes:
        if cause.before_db is None or cause.before_db < 0:
            continue
        after = "gone" if cause.after_db is None else f"{cause.after_db:+.1f} dB"
        out.append(f"| {cause.title} | {comparison.places[cause.id]} | {cause.before_db:+.1f} dB | {after} |")
    out += ["", ", ".join(f"{n} places {state}" for state, n in counts.items()) + ".", ""]
    return "\n".join(out)


def with_table(readme: str, table: str) -> str:
    """README.md with the table between its marks."""
    before, _, rest = readme.partition(BEGIN)
    _, _, after = rest.partition(END)
    return before + BEGIN + table + END + after


def main() -> None:
    page, readme = ROOT / "docs" / "checks.md", ROOT / "README.md"
    page.write_text(checks_page(), encoding="utf-8")
    readme.write_text(with_table(readme.read_text(encoding="utf-8"), demo_table(demo_comparison())), encoding="utf-8")
    print("wrote docs/checks.md and the table in README.md", file=sys.stderr)


if __name__ == "__main__":
    main()
