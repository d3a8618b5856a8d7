"""Writes docs/sections-solved.md: how many cross-sections lines of the real boards have, and what solving them took.

Boards as for tools/corpus.py. With names as arguments only those are done anew, the other rows are kept.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
from corpus import BOARDS, ROOT, board_inputs

from quietcopper.electrical.coupling import Asked, couplings
from quietcopper.electrical.tables import SIGNAL
from quietcopper.electrical.view import View
from quietcopper.errors import QuietCopperError
from quietcopper.formats import read_board

PAGE = ROOT / "docs" / "sections-solved.md"
HEAD = """\
# Cross-sections of real boards

How many different cross-sections the signal lines of some openly licensed boards have, found by cutting every run where
its section changes, and what it took to solve them. Written by `tools/sections_table.py`; processor time on one core,
so that a busy machine does not matter. Hits: how often a section that was asked for was there already, within the table
of lines and when the coupling of lines side by side was worked out after it (stretches that can reach 1 % of a swing).
Everything by the data's own stackup, or by the usual one where the data state none. `quietcopper review --sections
FILE.npz` (settings: `sections_file`) keeps solved sections between runs, so that a second review of a board solves only
what has changed; `--timings` tells how many were solved and how many were there already.

| board | signal runs | stretches | sections of lines | cutting, s | of bundles | hits | solving all, s | ms each |
|---|---|---|---|---|---|---|---|---|
"""
LEAST = 0.01


def row(name: str, path: Path) -> str:
    view = View(read_board(path))
    signal = [n for n, role in enumerate(view.roles) if role.kind == SIGNAL]
    driven = {n for n in signal if view.drivers[n].swing > 0}
    runs = int(np.isin(view.runs.net, signal).sum())
    tally = view.sections.tally
    began = time.process_time()
    table = view.line_table
    cutting = time.process_time() - began - tally.seconds
    lines = tally.misses
    pairs = frozenset(frozenset((p.positive, p.negative)) for p in view.pairs)
    couplings(view, Asked(frozenset(driven), pairs, LEAST))
    each = tally.seconds / max(tally.misses, 1) * 1e3
    figures = (runs, len(table.parts), lines, f"{cutting:.1f}", tally.misses - lines, tally.hits)
    return "| " + " | ".join(map(str, (name, *figures, f"{tally.seconds:.1f}", f"{each:.0f}"))) + " |"


def main() -> int:
    if not BOARDS.is_dir():
        print(f"no boards at {BOARDS}; set QUIETCOPPER_BOARDS", file=sys.stderr)
        return 2
    kept = PAGE.read_text(encoding="utf-8").splitlines() if PAGE.exists() else []
    rows = {
        line.split("|")[1].strip(): line for line in kept if line.startswith("| ") and not line.startswith("| board")
    }
    for name, path in board_inputs().items():
        if len(sys.argv) > 1 and name not in sys.argv[1:]:
            continue
        try:
            rows[name] = row(name, path)
        except QuietCopperError as e:
            print(f"{name}: refused: {e}")
            continue
        print(rows[name], flush=True)
        PAGE.write_text(HEAD + "\n".join(rows[n] for n in sorted(rows)) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
