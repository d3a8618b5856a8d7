"""`quietcopper demo`: the bundled example in two revisions, written, reviewed and compared."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any


def add_parser(commands: Any) -> None:
    p = commands.add_parser(
        "demo",
        help="write the bundled example and review it",
        description="Writes an invented board in two revisions with its settings, reviews both and compares them.",
    )
    p.add_argument(
        "-o", "--output", metavar="DIR", type=Path, default=Path("demo-review"), help="folder (default: demo-review)"
    )
    p.add_argument("-q", "--quiet", action="store_true", help="no progress bar, no summary")


def run(args: argparse.Namespace) -> int:
    from quietcopper.cli.compare import compare_to_folder
    from quietcopper.cli.compare import summary as compare_summary
    from quietcopper.cli.review import review_to_folder, summary
    from quietcopper.demo import write_demo

    folder: Path = args.output
    folder.mkdir(parents=True, exist_ok=True)
    old, new, settings = write_demo(folder)
    results = []
    for board, name in ((old, "rev-a"), (new, "rev-b")):
        result = review_to_folder(board, settings, folder / name, quiet=args.quiet)
        results.append(result)
        if not args.quiet:
            print(f"{name}: " + "\n".join(summary(result, folder / name)) + "\n")
    comparison = compare_to_folder(old, new, settings, folder / "compare", quiet=args.quiet, reviewed=results)
    if not args.quiet:
        print("\n".join(compare_summary(comparison, folder / "compare")))
    return 0
