"""IPC-2581 (revisions A, B and C): the reader. The writer is in `writer`."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from quietcopper.board import Board
from quietcopper.formats.archive import Member, open_source
from quietcopper.formats.ipc2581.assemble import assemble
from quietcopper.formats.ipc2581.reader import read_elements, refused
from quietcopper.formats.ipc2581.values import BadValue


def read_ipc2581(source: Path | str | Member, progress: Callable[[str, int, int], None] | None = None) -> Board:
    """Reads an IPC-2581 file, plain or packed. Raises ReadError for one that is damaged or has no layout."""
    member = source if isinstance(source, Member) else open_source(Path(source)).members[0]
    reader = read_elements(member, progress)
    try:
        return assemble(reader)
    except BadValue as error:  # some attributes are looked at only when all is read
        raise refused(member.label, error) from error


def recognises(head: bytes) -> bool:
    """Whether a file's first bytes look like IPC-2581."""
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        head = head.decode("utf-16", errors="ignore").encode("utf-8", errors="ignore")
    return head.lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"<") and b"IPC-2581" in head
