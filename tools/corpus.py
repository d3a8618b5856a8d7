"""Reviews the real boards and shows how findings changed since the last run (kept in .corpus/, not in the repository).

Boards are looked for at QUIETCOPPER_BOARDS, else ../shared/boards beside the checkout.
"""

from __future__ import annotations

import json
import os
import sys
import time
from pathlib import Path

from quietcopper.errors import QuietCopperError
from quietcopper.formats import read_board
from quietcopper.review import review

ROOT = Path(__file__).parents[1]
BOARDS = Path(os.environ.get("QUIETCOPPER_BOARDS", ROOT.parent / "shared" / "boards"))
LAST = ROOT / ".corpus" / "last.json"


def board_inputs() -> dict[str, Path]:
    """Name of each board of the corpus and what `read_board` takes: a file, or a folder of Gerber files."""
    found = {}
    for folder in sorted(p for p in BOARDS.iterdir() if p.is_dir()):
        if folder.name.startswith("ipc2581-"):
            found[folder.name] = min(folder.glob("*.xml"))
        elif folder.name.startswith("gerber-") and folder.name.split("-")[1][0].isdigit():
            found[folder.name] = folder
    return found


def main() -> int:
    if not BOARDS.is_dir():
        print(f"no boards at {BOARDS}; set QUIETCOPPER_BOARDS", file=sys.stderr)
        return 2
    last = json.loads(LAST.read_text(encoding="utf-8")) if LAST.exists() else {}
    now: dict[str, dict[str, float]] = {}
    for name, path in board_inputs().items():
        began = time.perf_counter()
        try:
            result = review(read_board(path))
        except QuietCopperError as e:
            print(f"{name}: refused: {e}")
            continue
        now[name] = {f.id: round(f.excess_db, 2) for f in result.findings}
        seconds = time.perf_counter() - began
        worst = result.causes[0].title if result.causes else "nothing over or near its allowance"
        print(f"{name}: {len(now[name])} findings, {len(result.causes)} causes, {seconds:.1f} s; first: {worst}")
        for check, said in sorted({(n.check, n.why) for n in result.not_checked if "it failed" in n.why}):
            print(f"  FAILED {check}: {said}")
        before = last.get(name)
        if before is None:
            continue
        for key in sorted(now[name].keys() | before.keys()):
            a, b = before.get(key), now[name].get(key)
            if a is None or b is None or abs(a - b) > 0.05:
                print(f"  {key}: {'new' if a is None else f'{a:+.1f}'} → {'gone' if b is None else f'{b:+.1f}'} dB")
    LAST.parent.mkdir(exist_ok=True)
    LAST.write_text(json.dumps(last | now, indent=1, sort_keys=True), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
