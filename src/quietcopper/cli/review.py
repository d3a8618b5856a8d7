"""`quietcopper review`: the main job."""

from __future__ import annotations

import argparse
import dataclasses
import json
import os
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from importlib import import_module
from importlib.util import LazyLoader, find_spec, module_from_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

from quietcopper.cli import reading
from quietcopper.errors import CallError
from quietcopper.files import write_whole

if TYPE_CHECKING:
    from quietcopper.electrical.view import View
    from quietcopper.fields.section_solver import Tally
    from quietcopper.findings import Cause, Plan, Result
    from quietcopper.review.decisions import Decisions
    from quietcopper.review.runner import Progress


MOST_CAUSES = 8  # told in the summary
MOST_PROCESSES = 4  # that share a review; each holds a copy of what it changes


def add_parser(commands: Any) -> None:
    p = commands.add_parser(
        "review",
        help="review a board: the main job",
        description="Reads a board, solves what its geometry does, and writes findings.json, review.html,"
        " review.pdf and markup/ (the places to change as Gerber, DXF and CSV).",
    )
    p.add_argument("board", metavar="BOARD", type=Path, help=reading.BOARD)
    p.add_argument("-s", "--settings", metavar="SETTINGS.toml", type=Path, help="corrections of what was inferred")
    reading.add_stackup(p)
    p.add_argument(
        "-o", "--output", metavar="DIR", type=Path, help="folder to write into (default: BOARD's name-review)"
    )
    p.add_argument(
        "--decisions",
        metavar="FILE",
        type=Path,
        help="decided findings (default: BOARD's name.decisions.jsonl beside it)",
    )
    p.add_argument(
        "--fail-above",
        metavar="DB",
        type=float,
        help="exit with status 1 if a finding exceeds this, in dB, unless it was accepted or does not apply",
    )
    p.add_argument(
        "--no-proofs", action="store_true", help="quicker: do not apply the proposed changes and review them again"
    )
    p.add_argument(
        "--sections",
        metavar="FILE.npz",
        type=Path,
        help="keep solved cross-sections in this file between runs, for this board or others (settings: sections_file)",
    )
    p.add_argument("--timings", action="store_true", help="print seconds per stage, and what solving took")
    p.add_argument("-q", "--quiet", action="store_true", help="no progress bar, no summary")


@contextmanager
def at_work(quiet: bool, processes: int = MOST_PROCESSES) -> Iterator[Progress]:
    """The work within is shared out between the cores, and a progress bar told of it when standard error is a
    terminal."""
    from quietcopper.workers import several_processes

    _leave_aside("numpy.f2py", "numpy.testing")
    with several_processes(processes), _progress_bar(quiet) as progress:
        yield progress


@contextmanager
def _progress_bar(quiet: bool) -> Iterator[Progress]:
    if quiet or not sys.stderr.isatty():
        yield lambda stage, done, total: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description:<32}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("reading", total=1.0)
        yield lambda stage, done, total: bar.update(task, description=stage, completed=done, total=total)


def _leave_aside(*modules: str) -> None:
    """Load these when something of theirs is first asked for. scipy asks numpy for all its modules by name alone; those
    for building and testing take as long to load as half of scipy."""
    for name in modules:
        spec = None if name in sys.modules else find_spec(name)
        if spec is None or spec.loader is None:
            continue
        spec.loader = LazyLoader(spec.loader)
        module = sys.modules[name] = module_from_spec(spec)
        spec.loader.exec_module(module)
        package, _, inner = name.rpartition(".")
        setattr(sys.modules[package], inner, module)


def _make_ready() -> None:
    """Load what a review needs, and the compiled parts of the solver of cross-sections, which takes seconds."""
    from quietcopper.checks import all_checks
    from quietcopper.fields.section import Coat, CrossSection, Sheet, Strip
    from quietcopper.fields.section_solver import solve

    import_module("quietcopper.review")
    all_checks()
    strips = Strip(0.0, 2e-4, 3e-4, 35e-6), Strip(6e-4, 2e-4, 3e-4, 35e-6)
    solve(CrossSection(strips[:1], strips[1:], (Sheet(2e-4, 4.3),), coat_above=Coat(25e-6, 15e-6, 3.8)))


def _first_look(board: Path, settings: Path | None, stackup: Path | None) -> tuple[View, dict[str, float]]:
    """What the files say and what of it can be seen at once, and seconds by stage. Raises ReadError and
    SettingsError."""
    from quietcopper.electrical.settings import Settings, load_settings
    from quietcopper.electrical.view import View

    began, said = time.perf_counter(), Settings()
    if settings is not None:
        said = load_settings(settings)
        if said.allowances:  # only then, for it loads all checks
            from quietcopper.checks import allowance_defaults

            said = load_settings(settings, allowance_defaults())
    view = View(reading.read(board, said, stackup), said)
    seconds = {"reading": time.perf_counter() - began}
    return view.prepare(seconds, lightly=True), seconds


def review_to_folder(
    board_path: Path,
    settings_path: Path | None,
    folder: Path,
    *,
    decisions_path: Path | None = None,
    stackup_path: Path | None = None,
    prove: bool = True,
    quiet: bool = False,
    timings: dict[str, float] | None = None,
    sections_path: Path | None = None,
    tallies: list[Tally] | None = None,
    processes: int = MOST_PROCESSES,
) -> Result:
    """Read, review and write the whole review into `folder`; nothing is written when reading fails.

    sections_path : file that keeps solved cross-sections, else the settings' own
    tallies : what was solved is added to it
    processes : at most so many share the work, one a core
    """
    from quietcopper.workers import meanwhile, several_processes, spread

    if folder.exists() and not folder.is_dir():
        raise CallError(f"{folder}: is a file; name a folder with -o")
    with at_work(quiet, processes) as progress:
        began = time.perf_counter()
        progress("reading", 0, 1)
        view, first = meanwhile(_make_ready, lambda: _first_look(board_path, settings_path, stackup_path))
        from quietcopper.fields.section_solver import SectionCache
        from quietcopper.fields.section_store import load_sections, save_sections
        from quietcopper.findings.document import to_document, write_document
        from quietcopper.review import review_view
        from quietcopper.review.decisions import decisions_path as beside

        decided = known_decisions(decisions_path, board_path)
        kept = sections_path or view.settings.kept_sections
        sections = load_sections(kept) if kept is not None else SectionCache()
        view.solved_before = sections
        seconds = timings if timings is not None else {}
        seconds["loading; beside it:"] = time.perf_counter() - began
        seconds |= first
        with several_processes(processes):  # again, for the libraries loaded since
            result = review_view(view, prove=prove, progress=progress, timings=seconds)
    if tallies is not None:
        tallies.append(sections.tally)
    result = with_decisions(result, decided)
    began = time.perf_counter()
    if kept is not None:
        save_sections(sections, kept)
    folder.mkdir(parents=True, exist_ok=True)
    document = to_document(result)
    parts = [
        # The first is done in this process: the typesetter has threads of its own, which a fork would lack. Each loads
        # what it needs.
        lambda: import_module("quietcopper.report.pdf").write_pdf(document, result.drawing, folder / "review.pdf"),
        lambda: import_module("quietcopper.report.html").write_html(document, result.drawing, folder / "review.html"),
        lambda: import_module("quietcopper.report.markup").write_markup(document, result.drawing, folder / "markup"),
        lambda: write_document(document, folder / "findings.json"),
    ]
    with several_processes(processes):
        spread(parts)
    write_plan(result, folder / "plan.toml")
    write_run(folder, board_path, settings_path, decisions_path or beside(board_path), stackup_path)
    seconds["writing"] = time.perf_counter() - began
    return result


def write_plan(result: Result, path: Path) -> None:
    """The plan of changes as a file for `quietcopper what-if`; an old one is removed where there is none."""
    from quietcopper.changes.plan import plan_text
    from quietcopper.review.plan import in_order

    if result.plan is None:
        path.unlink(missing_ok=True)
        return
    steps = in_order(result.plan)
    text = plan_text([(step.change.text, step.change.kind, step.change.arguments) for step in steps])
    write_whole(path, text.encode("utf-8", errors="backslashreplace"))


def known_decisions(given: Path | None, *boards: Path) -> Decisions:
    """What was decided: of the given file, which must be there, else of those beside the boards."""
    from quietcopper.review.decisions import decisions_path, read_decisions

    if given is not None:
        return read_decisions(given)
    return read_decisions(*(path for path in dict.fromkeys(map(decisions_path, boards)) if path.exists()))


def with_decisions(result: Result, decided: Decisions) -> Result:
    """The result with what was decided of its findings, and what was wrong in the file of decisions."""
    problems = (*result.problems, *decided.problems)
    return dataclasses.replace(result, decisions=decided.latest, comments=decided.comments, problems=problems)


def write_run(folder: Path, board: Path, settings: Path | None, decisions: Path, stackup: Path | None) -> None:
    """run.json: version, time and from where, which findings.json leaves out so that it can be compared."""
    from datetime import UTC, datetime
    from importlib.metadata import version

    def seen_from_folder(path: Path) -> str:
        try:
            return Path(os.path.relpath(path, folder)).as_posix()
        except ValueError:  # another drive
            return path.absolute().as_posix()

    run = {
        "program": f"quietcopper {version('quietcopper')}",
        "written": datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        "board": seen_from_folder(board),
        "settings": seen_from_folder(settings) if settings else None,
        "stackup": seen_from_folder(stackup) if stackup else None,
        "decisions": seen_from_folder(decisions),
    }
    text = json.dumps(run, ensure_ascii=False, indent=1) + "\n"
    write_whole(folder / "run.json", text.encode("utf-8", errors="backslashreplace"))


def summary(result: Result, folder: Path) -> list[str]:
    """A few lines for the terminal: counts by grade, the causes worst first, where the review is."""
    from quietcopper.findings.model import CHANGE_IT, IMPROVE_IT, MAIN, SMALLER, WATCH_IT

    counts = {g: sum(f.grade == g for f in result.findings) for g in (CHANGE_IT, IMPROVE_IT, WATCH_IT)}
    lines = [", ".join(f"{n} to '{g}'" for g, n in counts.items()) + _counted(result.causes)]
    shown = [c for c in result.causes if c.standing == MAIN] or [c for c in result.causes if c.standing == SMALLER]
    for number, cause in enumerate(shown[:MOST_CAUSES], start=1):
        places = "1 place" if len(cause.findings) == 1 else f"{len(cause.findings)} places"
        lines.append(f"  {number}. {cause.excess_before_db:+6.1f} dB{_afterwards(cause)}  {cause.title} ({places})")
    if len(shown) > MOST_CAUSES:
        lines.append(f"  … and {len(shown) - MOST_CAUSES} more")
    if result.plan is not None:
        lines.append(planned(result.plan, folder))
    lines += decided_lines(result)
    if result.not_checked:
        lines.append(f"not checked: {len(result.not_checked)} things, listed in the review with the reason")
    lines.append(f"review: {folder / 'review.html'}, letter: {folder / 'review.pdf'}")
    return lines


def _counted(causes: Sequence[Cause]) -> str:
    """'; 5 causes, worst first, the last 2 only if cables are as assumed, 2 cured along with them, 3 smaller:'."""
    from collections import Counter

    from quietcopper.findings.model import MAIN, SMALLER, WITH_ANOTHER

    count = Counter(cause.standing for cause in causes)
    if not count[MAIN] + count[SMALLER]:
        return "; nothing over its allowance"
    supposed = sum(cause.standing == MAIN and cause.supposed for cause in causes)
    last = "the last" if supposed == 1 else f"the last {supposed}"
    said = [
        f"{count[MAIN]} causes, worst first" if count[MAIN] != 1 else "1 cause",
        f"{last} only if cables are as assumed" if supposed else "",
        f"{count[WITH_ANOTHER]} cured along with them" if count[WITH_ANOTHER] else "",
        f"{count[SMALLER]} smaller" if count[SMALLER] else "",
    ]
    return f"; {', '.join(filter(None, said))}:"


def _afterwards(cause: Cause) -> str:
    """' → -0.7 dB' where the proposed change was proven, ' →    gone' where it leaves nothing."""
    from quietcopper.review.prove import is_solved

    if cause.excess_after_db is None or not is_solved(cause.solved):
        return ""
    return " →    gone" if cause.excess_after_db == float("-inf") else f" → {cause.excess_after_db:+6.1f} dB"


def planned(plan: Plan, folder: Path) -> str:
    """One line on the plan."""
    many = "1 change brings" if len(plan.steps) == 1 else f"{len(plan.steps)} changes bring"
    over = f"{plan.over_before} places over their allowance to {plan.over_after}"
    return f"plan: {many} {over}; try it, or a part of it: quietcopper what-if BOARD {folder / 'plan.toml'}"


def decided_lines(result: Result) -> list[str]:
    """One line on what was decided and remarked, one on decisions of findings that this board does not have."""
    from collections import Counter

    known = {f.id for f in (*result.findings, *result.passing)}
    states = Counter(d.state for d in result.decisions.values() if d.finding in known)
    subjects = known | {c.id for c in result.causes}
    remarks = sum(c.subject in subjects for c in result.comments)
    lines = []
    if states:
        lines.append("decided: " + ", ".join(f"{n} {state}" for state, n in sorted(states.items())))
    if remarks:
        lines.append(f"comments: {remarks}")
    others = sum(finding not in known for finding in result.decisions)
    if others:
        lines.append(f"decided earlier, not found on this board: {others}")
    return lines


def solved_line(tally: Tally) -> str:
    """One line on the cross-sections: how many were solved, in which time, how often one was there already."""
    kept = f", {tally.restored} taken from the file" if tally.restored else ""
    return (
        f"{tally.seconds:8.3f} s  of it on {tally.misses} different cross-sections (processor time); "
        f"{tally.hits} times one was there already{kept}"
    )


def run(args: argparse.Namespace) -> int:
    folder = args.output or Path(args.board.name.split(".")[0] + "-review")
    timings: dict[str, float] = {}
    tallies: list[Tally] = []
    began = time.perf_counter()
    result = review_to_folder(
        args.board,
        args.settings,
        folder,
        decisions_path=args.decisions,
        stackup_path=args.stackup,
        prove=not args.no_proofs,
        quiet=args.quiet,
        timings=timings,
        sections_path=args.sections,
        tallies=tallies,
    )
    if not args.quiet:
        print("\n".join(summary(result, folder)))
    if args.timings:
        for stage, seconds in timings.items():
            print(f"{seconds:8.3f} s  {stage}")
        print(f"{time.perf_counter() - began:8.3f} s  in all; checks run on several cores at once where there are some")
        print(*map(solved_line, tallies), sep="\n")
    open_ones = [f for f in result.findings if f.id not in result.decisions or not result.decisions[f.id].set_aside]
    worst = max((f.excess_db for f in open_ones), default=float("-inf"))
    return 1 if args.fail_above is not None and worst > args.fail_above else 0
