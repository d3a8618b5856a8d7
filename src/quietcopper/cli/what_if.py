"""`quietcopper what-if`: a plan of changes applied to a board, and what the review says before and after."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from quietcopper.cli import reading
from quietcopper.errors import CallError

if TYPE_CHECKING:
    from quietcopper.findings import Comparison

EPILOG = """\
CHANGES.toml holds [[change]] entries, made in their order; layers are numbered from 1, places are [x, y] in mm:

  [[change]]
  kind = "area-to-net"      # layer 3 becomes ground, the splits filled
  layer = 3
  net = "GND"
  nets = ["3V3", "5V"]
  pitch_mm = 8.0            # then stitched, where vias fit

'quietcopper review' writes a plan.toml to begin with; --kinds lists all kinds of changes with their keys."""


def add_parser(commands: Any) -> None:
    p = commands.add_parser(
        "what-if",
        help="apply changes to a board and see what the review says then",
        description="Applies a plan of changes to the board, reviews it before and after, and compares the two in dB.",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    p.add_argument("board", metavar="BOARD", type=Path, help=reading.BOARD)
    p.add_argument("changes", metavar="CHANGES.toml", type=Path, help="what to change")
    p.add_argument("-s", "--settings", metavar="SETTINGS.toml", type=Path, help="settings of both reviews")
    reading.add_stackup(p)
    p.add_argument(
        "-o", "--output", metavar="DIR", type=Path, default=Path("what-if"), help="folder (default: what-if)"
    )
    p.add_argument("--kinds", action=_Kinds, nargs=0, help="list the kinds of changes with their keys, and exit")
    p.add_argument("-q", "--quiet", action="store_true", help="no progress bar, no summary")


class _Kinds(argparse.Action):
    """Prints every kind of change with its keys; what is in brackets may be left out."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        from quietcopper.changes.kinds import EDITS

        lines = []
        for kind, edit in EDITS.items():
            lines += [kind, f"    {edit.help}"]
            lines += [f"    {a.key if a.needed else f'[{a.key}]':<14} {a.help}" for a in edit.arguments]
        print("\n".join(lines))
        parser.exit(0)


def what_if(
    board_path: Path,
    changes_path: Path,
    settings_path: Path | None,
    folder: Path,
    *,
    stackup_path: Path | None = None,
    quiet: bool,
) -> tuple[Comparison, list[str]]:
    """Review the board and the changed board, write compare.json and compare.html; the comparison and the notes of the
    changes.

    Raises ReadError, SettingsError for files that cannot be used, CallError for a change that cannot be made.
    """
    import dataclasses

    from quietcopper.changes import Changed, ChangeError, read_plan
    from quietcopper.checks import allowance_defaults
    from quietcopper.cli.review import at_work
    from quietcopper.electrical.settings import Settings, load_settings
    from quietcopper.electrical.view import View
    from quietcopper.fields.section_solver import SectionCache
    from quietcopper.findings import Proposal
    from quietcopper.findings.document import comparison_document, write_comparison
    from quietcopper.report.comparison import write_comparison_html
    from quietcopper.review import review
    from quietcopper.review.compare import compare
    from quietcopper.review.trial import Bench

    if folder.exists() and not folder.is_dir():
        raise CallError(f"{folder}: is a file; name a folder with -o")
    plan = read_plan(changes_path)
    settings = load_settings(settings_path, allowance_defaults()) if settings_path else Settings()
    bench = Bench.of(View(reading.read(board_path, settings, stackup_path), settings), ())
    done = Changed(bench.board)
    for change in plan:
        try:
            done = bench.apply(done, Proposal(change.kind, change.kind, change.arguments))
        except ChangeError as e:
            raise CallError(f"{changes_path}: {change.place} ({change.kind}): {e}") from e
    changed, notes = dataclasses.replace(done.board, name=f"{bench.board.name}, changed"), list(done.notes)
    sections = SectionCache()
    with at_work(quiet) as progress:
        before = review(bench.board, bench.settings, sections=sections, progress=progress)
        after = review(changed, bench.settings_after(done), sections=sections, progress=progress)
    comparison = compare(before, after, bench.board, changed)
    comparison = dataclasses.replace(comparison, board_changes=(*comparison.board_changes, *notes))
    folder.mkdir(parents=True, exist_ok=True)
    write_comparison(comparison, folder / "compare.json")
    write_comparison_html(comparison_document(comparison), folder / "compare.html")
    return comparison, notes


def run(args: argparse.Namespace) -> int:
    from quietcopper.cli.compare import summary

    comparison, notes = what_if(
        args.board, args.changes, args.settings, args.output, stackup_path=args.stackup, quiet=args.quiet
    )
    if not args.quiet:
        print("\n".join([*(f"assumed: {note}" for note in notes), *summary(comparison, args.output)]))
    return 0
