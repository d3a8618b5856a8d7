"""`quietcopper compare`: what a new revision cured, what remains, what is new."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from quietcopper.cli import reading
from quietcopper.errors import CallError

if TYPE_CHECKING:
    from quietcopper.findings import Comparison, Result


def add_parser(commands: Any) -> None:
    p = commands.add_parser(
        "compare",
        help="two revisions: what was cured, what remains, what is new",
        description="Reviews both revisions and compares them, finding by finding and cause by cause, in dB.",
    )
    p.add_argument("old", metavar="OLD", type=Path, help="the earlier revision: " + reading.BOARD)
    p.add_argument("new", metavar="NEW", type=Path, help="the later revision, likewise")
    p.add_argument("-s", "--settings", metavar="SETTINGS.toml", type=Path, help="settings for both revisions")
    reading.add_stackup(p)
    p.add_argument(
        "--decisions", metavar="FILE", type=Path, help="decided findings (default: the files beside the boards)"
    )
    p.add_argument(
        "-o", "--output", metavar="DIR", type=Path, default=Path("compare"), help="folder (default: compare)"
    )
    p.add_argument("-q", "--quiet", action="store_true", help="no progress bar, no summary")


def compare_to_folder(
    old: Path,
    new: Path,
    settings_path: Path | None,
    folder: Path,
    *,
    decisions_path: Path | None = None,
    stackup_path: Path | None = None,
    quiet: bool,
    reviewed: Sequence[Result] = (),
) -> Comparison:
    """Review both boards in memory, compare, and write compare.json and compare.html into `folder`.

    reviewed : both results, where they are there already
    """
    from quietcopper.checks import allowance_defaults
    from quietcopper.cli.review import at_work, known_decisions, with_decisions
    from quietcopper.electrical.settings import Settings, load_settings
    from quietcopper.findings.document import comparison_document, write_comparison
    from quietcopper.report.comparison import write_comparison_html
    from quietcopper.review import review
    from quietcopper.review.compare import compare

    if folder.exists() and not folder.is_dir():
        raise CallError(f"{folder}: is a file; name a folder with -o")
    settings = load_settings(settings_path, allowance_defaults()) if settings_path else Settings()
    decided = known_decisions(decisions_path, old, new)
    boards = [reading.read(path, settings, stackup_path) for path in (old, new)]
    results = list(reviewed)
    for board in boards[len(results) :]:
        with at_work(quiet) as progress:
            results.append(with_decisions(review(board, settings, progress=progress), decided))
    comparison = compare(results[0], results[1], boards[0], boards[1])
    folder.mkdir(parents=True, exist_ok=True)
    write_comparison(comparison, folder / "compare.json")
    write_comparison_html(comparison_document(comparison), folder / "compare.html")
    return comparison


def summary(comparison: Comparison, folder: Path) -> list[str]:
    """A few lines for the terminal: counts by state, then the causes with their excess before and after."""
    states = [m.state for m in comparison.findings if m.shown]
    counts = ", ".join(f"{states.count(s)} {s}" for s in ("cured", "better", "remaining", "worse", "new"))
    lines = [f"{comparison.old_name} to {comparison.new_name}: {counts}"]
    for cause in [c for c in comparison.causes if c.shown][:12]:
        before = f"{cause.before_db:+6.1f}" if cause.before_db is not None else "     –"
        after = f"{cause.after_db:+6.1f} dB" if cause.after_db is not None else "     gone"
        lines.append(f"  {before} → {after}  {cause.title}")
    if comparison.board_changes:
        lines += ["what changed on the board:", *(f"  {text}" for text in comparison.board_changes)]
    return [*lines, f"comparison: {folder / 'compare.html'}"]


def run(args: argparse.Namespace) -> int:
    comparison = compare_to_folder(
        args.old,
        args.new,
        args.settings,
        args.output,
        decisions_path=args.decisions,
        stackup_path=args.stackup,
        quiet=args.quiet,
    )
    if not args.quiet:
        print("\n".join(summary(comparison, args.output)))
    return 0
