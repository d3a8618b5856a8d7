"""The command line. Every subcommand is a module with `add_parser` and `run`; heavy imports happen inside `run`."""

from __future__ import annotations

import argparse
import gc
import os
import sys
from contextlib import suppress
from importlib import import_module
from typing import NoReturn

from quietcopper.errors import QuietCopperError

COMMANDS = (
    *("demo", "review", "serve", "compare", "what_if", "batch", "decide", "settings", "line", "plane_pair", "path"),
    *("stackup", "explain"),
)

DESCRIPTION = """\
Reviews a finished board layout for EMC and signal integrity: predicts what its geometry does to emissions and
signals, ranks it by excess over an allowance in dB, traces it to causes and says what a change would gain."""

EPILOG = """\
start here:
  quietcopper demo                          the bundled example, reviewed
  quietcopper settings board.xml -o s.toml  everything that was inferred, ready to correct
  quietcopper review board.xml -s s.toml    the main job; open review.html in the folder it names
  quietcopper serve board-review            the page with decisions and what-if
  quietcopper what-if board.xml plan.toml   changes applied, reviewed again, compared in dB
  quietcopper stackup board.xml             the stackup judged, others tried and ranked
  quietcopper explain trace-over-gap        what a check predicts, against which allowance, from which source

BOARD is an IPC-2581 file (plain, .gz or .zip), or a folder or .zip of Gerber files with drill (and job, netlist).
exit status: 0 done; 1 done, and a finding is above --fail-above; 2 the input or the call is unusable.

Radiated figures are estimates for ranking and for choosing between designs, no compliance verdict."""


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> None:  # type: ignore[override]
        self.exit(2, f"{self.prog}: {message}; see '{self.prog} --help'\n")


def parser(first: str = "") -> argparse.ArgumentParser:
    """The command line as an argparse parser: the whole, or of one command only where the first word names one."""
    top = _Parser(
        prog="quietcopper",
        description=DESCRIPTION,
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    top.add_argument("--version", action="store_true", help="print the version and exit")
    commands = top.add_subparsers(dest="command", metavar="COMMAND", parser_class=_Parser)
    named = first.replace("-", "_")
    for name in (named,) if named in COMMANDS else COMMANDS:
        import_module(f"quietcopper.cli.{name}").add_parser(commands)
    return top


def main(argv: list[str] | None = None) -> int:
    """Run one command; returns the exit status."""
    words = sys.argv[1:] if argv is None else argv
    args = parser(*words[:1]).parse_args(words)
    if args.version:
        from importlib.metadata import version

        print(f"quietcopper {version('quietcopper')}")
        return 0
    if args.command is None:
        parser().print_help()
        return 0
    try:
        status = int(import_module(f"quietcopper.cli.{args.command.replace('-', '_')}").run(args))
        sys.stdout.flush()
        return status
    except QuietCopperError as e:
        print(f"quietcopper: {e}", file=sys.stderr)
        return 2
    except BrokenPipeError:  # the reader of our output has gone
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as e:
        where = f"{e.filename}: " if e.filename else ""
        print(f"quietcopper: {where}{e.strerror or e}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("quietcopper: stopped", file=sys.stderr)
        return 130


def command() -> NoReturn:
    """The program `quietcopper`: as `main`, for a process that does nothing else, which then ends."""
    gc.set_threshold(100_000, 20, 50)  # boards and reviews are millions of objects that stay
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # processes share the work; threads would only cost their start
    status = main()
    with suppress(OSError):
        sys.stdout.flush()
        sys.stderr.flush()
    os._exit(status)  # taking millions of objects apart one by one would take longer than many a command
