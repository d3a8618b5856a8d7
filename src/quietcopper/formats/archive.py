"""What BOARD is made of: one file, a .gz, a .zip or a folder, opened within bounds.

Nothing is ever unpacked to disk, so a member's name cannot write anywhere; a name that points outside its archive is
refused all the same, because such an archive is not what its sender thinks it is.
"""

from __future__ import annotations

import contextlib
import gzip
import io
import zipfile
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any, BinaryIO

from quietcopper.errors import ReadError

MAX_BYTES = 2 << 30  # of one member, unpacked: ten times what a large board takes
MAX_RATIO = 400  # unpacked to packed, beyond RATIO_FREE bytes; board data packs 10 to 60 times
RATIO_FREE = 64 << 20
MAX_MEMBERS = 10_000
GZIP_MAGIC = b"\x1f\x8b"
ZIP_MAGIC = (b"PK\x03\x04", b"PK\x05\x06")


DAMAGE = (EOFError, zlib.error, zipfile.BadZipFile, NotImplementedError)  # what the packers raise for broken data


class Bounded(io.RawIOBase):
    """A byte stream that stops with a ReadError at a size or at a packing ratio that no board data has."""

    def __init__(self, inner: BinaryIO, label: str, packed: int) -> None:
        self._inner, self._label, self._packed, self._seen = inner, label, max(packed, 1), 0

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: bytearray) -> int:  # type: ignore[override]
        data = self.read(len(buffer))
        buffer[: len(data)] = data
        return len(data)

    def read(self, size: int = -1) -> bytes:
        """At most `size` bytes. Raises ReadError for damaged packing or when a bound is passed."""
        try:
            data = self._inner.read(size)
        except (*DAMAGE, OSError) as error:
            raise ReadError(
                self._label,
                found=f"data that cannot be read after {self._seen} bytes ({error})",
                remedy="copy or export the file again",
            ) from error
        self._seen += len(data)
        if self._seen > MAX_BYTES:
            raise ReadError(
                self._label,
                found=f"more than {MAX_BYTES} bytes once unpacked",
                expected="a board file of less than that",
            )
        if self._seen > RATIO_FREE and self._seen > MAX_RATIO * self._packed:
            raise ReadError(
                self._label,
                found=f"data that unpacks to more than {MAX_RATIO} times its size",
                expected="ordinary board data",
                remedy="unpack the file yourself if you trust it",
            )
        return data

    def close(self) -> None:
        self._inner.close()
        super().close()


@dataclass(frozen=True)
class Member:
    """One file of a source. name is relative to the source, "" for a plain file; label is what a message shows."""

    name: str
    label: str
    size: int
    _open: Callable[[], BinaryIO]

    @contextlib.contextmanager
    def open(self) -> Iterator[Bounded]:
        """The bytes, unpacked when the member itself is gzip data."""
        with contextlib.ExitStack() as stack:
            try:
                with contextlib.closing(self._open()) as first:
                    head = first.read(2)
                inner = stack.enter_context(contextlib.closing(self._open()))
            except (*DAMAGE, RuntimeError, OSError) as error:
                raise ReadError(self.label, found=f"a file that cannot be opened ({error})") from error
            stream: Any = stack.enter_context(gzip.GzipFile(fileobj=inner)) if head == GZIP_MAGIC else inner
            yield stack.enter_context(Bounded(stream, self.label, self.size))

    def head(self, size: int = 1 << 14) -> bytes:
        """The first bytes, to see what it is."""
        with self.open() as stream:
            return stream.read(size)


@dataclass(frozen=True)
class Source:
    """What a path stands for. kind : "file", "zip" or "folder"."""

    path: Path
    kind: str
    members: tuple[Member, ...]


def open_source(path: Path) -> Source:
    """Looks at a path and lists what is in it. Raises ReadError for what cannot be opened or is out of bounds."""
    try:
        if path.is_dir():
            return Source(path, "folder", _folder_members(path))
        if not path.exists():
            raise ReadError(path, found="nothing at this path", remedy="check the name")
        if not path.is_file():
            raise ReadError(path, found="neither a file nor a folder")
        size = path.stat().st_size
        if size == 0:
            raise ReadError(path, found="an empty file")
        with path.open("rb") as stream:
            head = stream.read(4)
    except OSError as error:
        raise ReadError(path, found=f"a path that cannot be opened ({error.strerror})") from error
    if head in ZIP_MAGIC:
        return Source(path, "zip", _zip_members(path))
    return Source(path, "file", (Member("", str(path), size, lambda: path.open("rb")),))


def _folder_members(folder: Path) -> tuple[Member, ...]:
    out = []
    for child in sorted(folder.iterdir()):
        if child.is_file() and not child.name.startswith("."):
            out.append(Member(child.name, str(child), child.stat().st_size, lambda child=child: child.open("rb")))  # type: ignore[misc]
        if len(out) > MAX_MEMBERS:
            raise ReadError(folder, found=f"more than {MAX_MEMBERS} files", expected="the files of one board")
    if not out:
        raise ReadError(folder, found="a folder without files", expected="the fabrication files of a board")
    return tuple(out)


def _zip_members(path: Path) -> tuple[Member, ...]:
    try:
        archive = zipfile.ZipFile(path)
    except (zipfile.BadZipFile, NotImplementedError, ValueError) as error:
        raise ReadError(path, found=f"a damaged zip archive ({error})", remedy="copy or export it again") from error
    with archive:
        infos = [info for info in archive.infolist() if not info.is_dir()]
    if len(infos) > MAX_MEMBERS:
        raise ReadError(path, found=f"{len(infos)} members", expected=f"at most {MAX_MEMBERS}")
    if not infos:
        raise ReadError(path, found="a zip archive without files")
    out = []
    for info in infos:
        name = info.filename.replace("\\", "/")
        where = f"member {info.filename!r}"
        if name.startswith("/") or ".." in PurePosixPath(name).parts or name[1:2] == ":":
            raise ReadError(
                path, where, found="a name that points outside the archive", remedy="pack the board's files anew"
            )
        if info.flag_bits & 1:
            raise ReadError(path, where, found="an encrypted member", remedy="unpack it with its password first")
        if info.file_size > MAX_BYTES:
            raise ReadError(path, where, found=f"{info.file_size} bytes once unpacked", expected=f"at most {MAX_BYTES}")
        if PurePosixPath(name).name.startswith((".", "__MACOSX")) or name.startswith("__MACOSX/"):
            continue  # side files of a desktop system, never board data
        out.append(Member(name, f"{path}!{name}", info.compress_size, lambda info=info: _open_member(path, info)))  # type: ignore[misc]
    return tuple(out)


def _open_member(path: Path, info: zipfile.ZipInfo) -> BinaryIO:
    """A member's stream; the archive object closes with it."""
    archive = zipfile.ZipFile(path)
    try:
        stream = archive.open(info)
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError) as error:
        archive.close()
        raise ReadError(f"{path}!{info.filename}", found=f"a packed file that cannot be opened ({error})") from error
    archive.close()  # zipfile counts its open members: the file itself closes with the last stream
    return stream  # type: ignore[return-value]
