"""Independent pieces of work shared out between this process and forked copies of it, one a core.

A fork has everything that was worked out before without it being sent; only results travel back. Where a fork is not
safe or of no use (one core, other threads, no fork on the system, within a fork) all is done here, one after another.
"""

from __future__ import annotations

import io
import os
import pickle
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, BinaryIO, TypeVar, cast

import numpy as np
import shapely
from threadpoolctl import threadpool_limits

T = TypeVar("T")
FORKS = hasattr(os, "fork") and sys.platform != "darwin"  # whose own libraries do not bear it
_TICKET = 2  # bytes
_RING = int(shapely.GeometryType.LINEARRING)
_MOST_PIECES = 1 << (8 * _TICKET)
Outcome = tuple[bool, Any]  # whether a piece ended well, and its result, else what it raised
_allowed = 1


@contextmanager
def several_processes(most: int) -> Iterator[None]:
    """Within it, `spread` may fork up to as many processes as there are cores to use, this one counted. Not for
    programs with threads of their own at work, whose locks a fork would take along."""
    global _allowed
    before, _allowed = _allowed, max(1, min(most, _cores()))
    try:
        with threadpool_limits(limits=1, user_api="blas"):  # threads of theirs would only stand in each other's way
            yield
    finally:
        _allowed = before


def _cores() -> int:
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def spread(work: Sequence[Callable[[], T]]) -> list[T]:
    """Results of all pieces in their order. The first piece, and as many others as it comes to, are done in this
    process: whatever they keep in mind stays here, and what starts threads of its own must be the first.

    Raises what the first failing piece raised. Results must be picklable; a piece whose process dies is done here.
    """
    count = min(_allowed, len(work))
    here = threading.current_thread() is threading.main_thread()
    if count < 2 or not here or not FORKS or len(work) > _MOST_PIECES:
        return [piece() for piece in work]
    take, give = os.pipe()  # the rows still to be done: whoever reads one does it
    os.set_blocking(give, False)
    written = _all_written(give, b"".join(row.to_bytes(_TICKET, "big") for row in range(1, len(work))))
    os.close(give)
    if not written:
        os.close(take)
        return [piece() for piece in work]
    helpers = [_start(work, take) for _ in range(count - 1)]
    try:
        with several_processes(1):
            done = {0: _outcome(work[0]), **{row: _outcome(work[row]) for row in _taken(take)}}
        for _, source in helpers:
            done |= _received(source)
    except BaseException:
        for pid, _ in helpers:
            os.kill(pid, signal.SIGTERM)
        raise
    finally:
        os.close(take)
        for pid, source in helpers:
            source.close()
            os.waitpid(pid, 0)
    out: list[T] = []
    for row, piece in enumerate(work):
        well, what = done[row] if row in done else _outcome(piece)
        if not well:
            raise what
        out.append(cast(T, what))
    return out


def meanwhile(here: Callable[[], object], apart: Callable[[], T]) -> T:
    """Do one thing in this process and the other in a copy of it at the same time; the result of the other."""
    pieces: tuple[Callable[[], object], ...] = here, apart
    return cast(T, spread(pieces)[1])


def _all_written(give: int, data: bytes) -> bool:
    """Whether a pipe that nobody reads yet took all of this."""
    try:
        return os.write(give, data) == len(data)
    except BlockingIOError:
        return False


def _taken(take: int) -> Iterator[int]:
    """Rows that are still to be done, one by one."""
    while ticket := os.read(take, _TICKET):
        yield int.from_bytes(ticket, "big")


def _outcome(piece: Callable[[], Any]) -> Outcome:
    try:
        return True, piece()
    except Exception as problem:
        return False, problem


def _start(work: Sequence[Callable[[], Any]], take: int) -> tuple[int, BinaryIO]:
    """A forked process at work: its number, and where its results will come from."""
    global _allowed
    back, out = os.pipe()
    sys.stdout.flush()
    sys.stderr.flush()
    pid = os.fork()
    if pid:
        os.close(out)
        return pid, os.fdopen(back, "rb")
    try:
        signal.signal(signal.SIGINT, signal.SIG_DFL)  # ends without a word; this process's parent tells the user
        os.close(back)
        _allowed = 1
        # packed at once: whoever is through first takes the next piece
        packed = {row: _packed(_outcome(work[row])) for row in _taken(take)}
        with os.fdopen(out, "wb") as sink:
            pickle.dump(packed, sink)
    finally:
        os._exit(0)


class _Pickler(pickle.Pickler):
    """Sends an array of geometries as one block, which takes a fifth of the time of one after the other."""

    def reducer_override(self, obj: Any) -> Any:
        if not (isinstance(obj, np.ndarray) and obj.dtype == object and obj.size and shapely.is_geometry(obj).all()):
            return NotImplemented
        if (shapely.get_type_id(obj) == _RING).any():  # which WKB does not know
            return NotImplemented
        return _geometries, (shapely.to_wkb(obj.ravel()), obj.shape)


def _geometries(wkb: Any, shape: tuple[int, ...]) -> Any:
    return shapely.from_wkb(wkb).reshape(shape)


def _packed(outcome: Outcome) -> bytes:
    sink = io.BytesIO()
    try:
        _Pickler(sink, pickle.HIGHEST_PROTOCOL).dump(outcome)
        if not outcome[0]:
            pickle.loads(sink.getvalue())  # some exceptions can be written and not read
        return sink.getvalue()
    except Exception as problem:
        return pickle.dumps((False, RuntimeError(f"{outcome[1]!r} cannot be sent between processes: {problem}")))


def _received(source: BinaryIO) -> dict[int, Outcome]:
    """What a process has done; nothing where it died before it could tell."""
    try:
        return {row: pickle.loads(packed) for row, packed in pickle.load(source).items()}
    except (EOFError, pickle.UnpicklingError):
        return {}
