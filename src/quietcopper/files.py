"""Writing files so that nothing is ever half-written."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path


def write_whole(path: Path | str, data: bytes) -> None:
    """Write a file under a temporary name beside its place and move it there: whole or not at all.

    Raises OSError as the system gives it; the temporary file is then removed.
    """
    path = Path(path)
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        # mkstemp makes files that only their owner may read; a review is meant to be passed on.
        umask = os.umask(0)
        os.umask(umask)
        os.chmod(name, 0o666 & ~umask)
        os.replace(name, path)
    except BaseException:
        os.unlink(name)
        raise
