"""`quietcopper batch`: many boards, on this machine's cores or on a cluster."""

from __future__ import annotations

import argparse
import json
import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any

from quietcopper.errors import CallError, QuietCopperError
from quietcopper.files import write_whole

EPILOG = """\
Boards are IPC-2581 files, archives and folders of Gerber files, in FOLDER and below it. Each takes the settings of -s,
else of a file of its own name beside it (board.toml), and the decisions beside it (board.decisions.jsonl).
A board that fails is listed with its reason. Run again, only what is missing or has changed is reviewed.
With --scheduler the workers must see the same folders under the same names."""

THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS")
DONE = "batch.json"  # in a review's folder, written last: what was reviewed, and the row of the index
CONNECT_SECONDS = 20


def add_parser(commands: Any) -> None:
    p = commands.add_parser(
        "batch",
        help="many boards: a review of each and an index",
        description="Reviews every board in a folder, several at a time, and writes an index of the reviews.",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    p.add_argument("folder", metavar="FOLDER", type=Path, help="where the boards are")
    p.add_argument("-s", "--settings", metavar="SETTINGS.toml", type=Path, help="settings for all boards")
    p.add_argument(
        "-o", "--output", metavar="DIR", type=Path, help="folder to write into (default: FOLDER's name-reviews)"
    )
    p.add_argument(
        "-j",
        "--jobs",
        metavar="N",
        type=int,
        default=os.cpu_count() or 1,
        help="boards at a time (default: one a core)",
    )
    p.add_argument("--scheduler", metavar="ADDRESS", help="a Dask scheduler to send the boards to, as tcp://host:8786")
    p.add_argument("--again", action="store_true", help="review all boards, also those that are done")
    p.add_argument("-q", "--quiet", action="store_true", help="no line for each board")


@dataclass(frozen=True)
class Job:
    """One board to review; plain strings, to travel to another process or machine."""

    name: str
    board: str
    settings: str | None
    folder: str
    again: bool


def _fingerprint(*paths: str | None) -> str:
    """What the review was made from: the contents of files and folders, and the version of the program."""
    from importlib.metadata import version

    digest = sha256(version("quietcopper").encode())
    for given in paths:
        path = Path(given) if given else None
        files = [] if path is None or not path.exists() else sorted(path.iterdir()) if path.is_dir() else [path]
        for file in files:
            if file.is_file():
                digest.update(f"\0{file.name}\0{file.stat().st_size}\0".encode(errors="backslashreplace"))
                with file.open("rb") as stream:
                    while block := stream.read(1 << 20):
                        digest.update(block)
        digest.update(b"\1")
    return digest.hexdigest()


def review_board(job: Job) -> dict[str, Any]:
    """Review one board into its folder, or take what is there from the same data. Never raises for a bad board."""
    from quietcopper.cli.review import review_to_folder
    from quietcopper.report.batch import FAILED, REFUSED, REVIEWED, board_row
    from quietcopper.review.decisions import decisions_path

    board, folder = Path(job.board), Path(job.folder)
    row: dict[str, Any] = {"board": job.name, "folder": folder.name}
    try:
        made_from = _fingerprint(job.board, job.settings, str(decisions_path(board)))
        if not job.again and (known := _done(folder, made_from)) is not None:
            return {**row, **known}
        review_to_folder(
            board, Path(job.settings) if job.settings else None, folder, prove=False, quiet=True, processes=1
        )
        document = json.loads((folder / "findings.json").read_text(encoding="utf-8"))
        row |= {"status": REVIEWED, "sentence": "", **board_row(document)}
        text = json.dumps({"made_from": made_from, "row": row}, ensure_ascii=False)
        write_whole(folder / DONE, text.encode("utf-8", errors="backslashreplace"))
    except QuietCopperError as e:
        row |= {"status": REFUSED, "sentence": str(e).replace(job.board, job.name)}
    except Exception as e:  # a fault of ours must not cost the other boards
        row |= {"status": FAILED, "sentence": f"it failed: {type(e).__name__}: {e}"}
    return row


def _done(folder: Path, made_from: str) -> dict[str, Any] | None:
    """The row of a review that is complete and made from the same data."""
    try:
        known = json.loads((folder / DONE).read_text(encoding="utf-8"))
        complete = all((folder / name).exists() for name in ("findings.json", "review.html", "review.pdf"))
        return dict(known["row"]) if complete and known["made_from"] == made_from else None
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _lost(job: Job, why: str) -> dict[str, Any]:
    from quietcopper.report.batch import FAILED

    return {"board": job.name, "folder": Path(job.folder).name, "status": FAILED, "sentence": why}


def _one_thread() -> None:
    """Each worker computes on one core: several boards are under way at once."""
    os.environ.update(dict.fromkeys(THREADS, "1"))


def in_processes(jobs: Sequence[Job], workers: int, work: Callable[[Job], dict[str, Any]]) -> Iterator[dict[str, Any]]:
    """Rows as boards are done, from a pool of processes. When a process dies, the boards that were lost with it are
    taken again one by one, so that only the one that kills its process fails."""
    from concurrent.futures import ProcessPoolExecutor, as_completed
    from concurrent.futures.process import BrokenProcessPool
    from multiprocessing import get_context

    def pool(size: int) -> ProcessPoolExecutor:
        return ProcessPoolExecutor(size, mp_context=get_context("spawn"), initializer=_one_thread)

    lost = []
    with pool(max(1, min(workers, len(jobs)))) as executor:
        waiting = {executor.submit(work, job): job for job in jobs}
        try:
            for future in as_completed(waiting):
                try:
                    yield future.result()
                except BrokenProcessPool:
                    lost.append(waiting[future])
        except BaseException:
            executor.shutdown(wait=False, cancel_futures=True)
            raise
    for job in sorted(lost, key=lambda j: j.name):
        with pool(1) as executor:
            try:
                row = executor.submit(work, job).result()
            except BrokenProcessPool:
                row = _lost(job, "the process that reviewed it was ended by the system; it may need more memory")
        yield row


def on_cluster(jobs: Sequence[Job], address: str, work: Callable[[Job], dict[str, Any]]) -> Iterator[dict[str, Any]]:
    """Rows as boards are done, from the workers of a Dask scheduler. Raises CallError where there is none."""
    try:
        from distributed import Client, as_completed
    except ModuleNotFoundError as e:
        raise CallError("--scheduler needs Dask: pip install 'quietcopper[cluster]'") from e
    try:
        client = Client(address, timeout=CONNECT_SECONDS, set_as_default=False)
    except (OSError, ValueError) as e:
        raise CallError(f"{address}: no Dask scheduler answers there ({type(e).__name__})") from e
    with client:
        waiting = {client.submit(work, job, pure=False): job for job in jobs}
        for future in as_completed(waiting, loop=client.loop):
            if future.status == "finished":
                yield future.result()
            else:
                yield _lost(waiting[future], f"its worker was lost: {future.exception()}")


def plan(folder: Path, output: Path, settings: Path | None, again: bool) -> list[Job]:
    """A job for every board of a folder, each with a folder of its own under `output`."""
    from quietcopper.formats.find import find_boards

    taken: dict[str, int] = {}
    jobs = []
    for board in find_boards(folder, leave_out=output):
        name = board.relative_to(folder).as_posix() if board != folder else board.name
        safe = "".join(c if c.isalnum() or c in "-_+" else "-" for c in name.removesuffix(".gz").removesuffix(".xml"))
        taken[safe] = taken.get(safe, 0) + 1
        own = board.with_name(board.name.split(".")[0] + ".toml")
        chosen = settings or (own if own.is_file() else None)
        place = output / (safe if taken[safe] == 1 else f"{safe}--{taken[safe]}")
        jobs.append(
            Job(name, str(board.absolute()), str(chosen.absolute()) if chosen else None, str(place.absolute()), again)
        )
    if not jobs:
        raise CallError(f"{folder}: no board in it; boards are IPC-2581 files, archives and folders of Gerber files")
    return jobs


def run(args: argparse.Namespace) -> int:
    from quietcopper.report.batch import REVIEWED, write_index

    if args.jobs < 1:
        raise CallError(f"--jobs is {args.jobs}; at least one board at a time")
    output: Path = args.output or Path(f"{args.folder.resolve().name}-reviews")
    if output.exists() and not output.is_dir():
        raise CallError(f"{output}: is a file; name a folder with -o")
    jobs = plan(args.folder, output, args.settings, args.again)
    output.mkdir(parents=True, exist_ok=True)
    rows: list[dict[str, Any]] = []
    done = (
        on_cluster(jobs, args.scheduler, review_board)
        if args.scheduler
        else in_processes(jobs, args.jobs, review_board)
    )
    for row in done:
        rows.append(row)
        write_index(rows, output)
        if not args.quiet:
            print(f"{len(rows)} of {len(jobs)}  {row['board']}: {_said(row)}", flush=True)
    if not args.quiet:
        print(f"index: {output / 'index.html'}")
    return 0 if any(row["status"] == REVIEWED for row in rows) else 2


def _said(row: dict[str, Any]) -> str:
    from quietcopper.report.batch import REVIEWED

    if row["status"] != REVIEWED:
        return str(row["sentence"])
    counts = ", ".join(f"{n} to '{grade}'" for grade, n in row["grades"].items())
    return f"{counts}; worst {row['worst']['excess_db']:+.1f} dB" if row["worst"] else counts
