"""Writes docs/checks.md from the check modules. A test fails while the page is stale."""

from __future__ import annotations

import sys
from pathlib import Path

from quietcopper.checks import all_checks

PAGE = Path(__file__).parents[1] / "docs" / "checks.md"


def checks_page() -> str:
    """The page, one section a check."""
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


if __name__ == "__main__":
    PAGE.write_text(checks_page(), encoding="utf-8")
    print(f"wrote {PAGE.name}", file=sys.stderr)
