"""Boards in a folder and below it, to be reviewed one after the other."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from quietcopper.errors import ReadError
from quietcopper.formats.archive import open_source
from quietcopper.formats.gerber_set import looks_like_gerber_set
from quietcopper.formats.ipc2581 import recognises

ENDINGS = (".xml", ".gz", ".zip", ".cvg")  # taken for boards by their name; what is none is refused with its reason
REVIEW = "findings.json"  # a folder with such a file is a review, not a board


def find_boards(folder: Path, leave_out: Path | None = None) -> list[Path]:
    """What `read_board` is to be given: IPC-2581 files, archives, and folders of Gerber files; in order of their names.

    leave_out : a folder that is not looked into;  reviews are left out, and names that begin with a dot
    Raises ReadError for a folder that is none or cannot be opened.
    """
    if not folder.is_dir():
        raise ReadError(folder, found="no folder", expected="a folder with boards")
    return list(_below(folder, leave_out.resolve() if leave_out else None))


def _below(folder: Path, leave_out: Path | None) -> Iterator[Path]:
    try:
        children = sorted(c for c in folder.iterdir() if not c.name.startswith("."))
    except OSError as error:
        raise ReadError(folder, found=f"a folder that cannot be opened ({error.strerror})") from error
    files = [c for c in children if c.is_file()]
    if any(c.name == REVIEW for c in files) or folder.resolve() == leave_out:
        return
    heads = {c: _head(c) for c in files}
    boards = [c for c in files if c.name.lower().endswith(ENDINGS) or recognises(heads[c])]
    if not boards and any(looks_like_gerber_set(head) for head in heads.values()):
        yield folder
        return
    yield from boards
    for child in children:
        if child.is_dir() and not child.is_symlink():
            yield from _below(child, leave_out)


def _head(path: Path) -> bytes:
    try:
        return open_source(path).members[0].head(4096)
    except ReadError:
        return b""  # whoever reads it says what is wrong
