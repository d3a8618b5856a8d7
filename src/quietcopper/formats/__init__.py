"""Readers and writers of open exchange formats; each reader yields a Board."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from quietcopper.board import Board
from quietcopper.errors import ReadError
from quietcopper.formats.archive import Member, Source, open_source
from quietcopper.formats.ipc2581 import read_ipc2581, recognises

__all__ = ["read_board"]

Progress = Callable[[str, int, int], None]  # stage, done, total


def read_board(path: Path | str, *, progress: Progress | None = None, files: Mapping[str, str] | None = None) -> Board:
    """Reads a finished layout: an IPC-2581 file (plain, .gz or .zip), or a folder or .zip of Gerber files.

    progress : called with the stage, what is done and the total, in bytes
    files : what the user says of files of a Gerber set, by name: "Copper,L2,Inr" and so on, or "ignore"
    Raises ReadError for anything else.
    """
    source = open_source(Path(path))
    heads = [(member, member.head()) for member in source.members]
    found = [member for member, head in heads if recognises(head)]
    if len(found) == 1:
        return read_ipc2581(found[0], progress)
    if found:
        names = ", ".join(member.name for member in found[:5])
        raise ReadError(
            source.path, found=f"{len(found)} IPC-2581 files ({names})", expected="one board", remedy="name one of them"
        )
    # not at the top: an IPC-2581 file needs none of it
    from quietcopper.formats.gerber_set import looks_like_gerber_set, read_gerber_set

    if any(looks_like_gerber_set(head) for _, head in heads):
        return read_gerber_set(source, progress, files)
    raise ReadError(
        source.path,
        found=_description(source, heads),
        expected="an IPC-2581 file (plain, .gz or .zip), or a folder or .zip of Gerber files",
        remedy="export the layout in one of these",
    )


def _description(source: Source, heads: list[tuple[Member, bytes]]) -> str:
    """What stands there instead of a board, in a few words."""
    if source.kind != "file":
        return f"a {source.kind} of {len(heads)} files, none of them board data"
    head = heads[0][1]
    if head.lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"<"):
        return "an XML file that does not begin with <IPC-2581>"
    return "a file of an unknown kind" if b"\0" not in head else "a binary file of an unknown kind"
