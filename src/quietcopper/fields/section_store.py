"""Solved cross-sections kept in a file between runs: numbers and text in a .npz, nothing in it is executed.

The file holds the sections as JSON, their matrices as one array of numbers, and the state of the solver that made
them; what another state made is left aside. It is written whole under a temporary name and moved into place, and never
over a file that is not such a store. The sections used longest ago are dropped beyond MOST.
"""

from __future__ import annotations

import dataclasses
import hashlib
import io
import json
import zipfile
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from quietcopper.errors import OutOfRange, ReadError
from quietcopper.fields.section import Coat, CrossSection, Sheet, Strip
from quietcopper.fields.section_solver import SectionCache, Solution
from quietcopper.files import write_whole

FORMAT = "quietcopper-sections/1"
MOST = 20_000  # sections; some 6 MB
LARGEST = 200e6  # bytes unpacked; a larger file is none of ours
MOST_LINES = 64
_MEMBERS = {"head.npy", "values.npy"}
_REMEDY = "delete it or name another file; it is made anew where there is none"


@lru_cache
def solver_state() -> str:
    """Digest of the solver's own source: results kept by another state of it are not used."""
    digest = hashlib.sha256()
    for path in sorted(Path(__file__).parent.glob("section*.py")):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def load_sections(path: Path) -> SectionCache:
    """The cache kept in a file, an empty one where there is none.

    Raises ReadError for a file that is no such store, OSError where it cannot be read.
    """
    cache = SectionCache()
    if not path.exists():
        return cache
    head, values = _read(path)
    if head["solver"] != solver_state():
        return cache
    at = 0
    try:
        for row in head["sections"]:
            key = _section(row["section"]), float(row["accuracy"])
            if "problem" in row:
                cache.solutions[key] = OutOfRange(str(row["problem"]))
                continue
            n = len(key[0].lines)
            if n > MOST_LINES:
                raise ValueError(f"{n} lines")
            both = values[at : at + 2 * n * n].reshape(2, n, n)
            at += 2 * n * n
            if not np.isfinite(both).all():
                raise ValueError("figures that are no numbers")
            cache.solutions[key] = Solution(both[0], both[1], float(row["error"]), key[0])
    except (KeyError, TypeError, ValueError) as problem:
        raise _unfit(path, f"a section that cannot be read ({problem})") from problem
    cache.restored.update(cache.solutions)
    return cache


def save_sections(cache: SectionCache, path: Path) -> None:
    """Write the cache for `load_sections`, with what the file has gained since; whole or not at all.

    Raises ReadError where another kind of file is in the way, OSError where it cannot be written.
    """
    kept = dict(load_sections(path).solutions) if path.exists() else {}
    unused = {key: cache.solutions[key] for key in cache.solutions if key in cache.restored}
    used = {key: cache.solutions[key] for key in cache.solutions if key not in cache.restored}
    for part in (unused, used):  # used last, so that the others are the first to go
        for key, found in part.items():
            kept.pop(key, None)
            kept[key] = found
    rows: list[dict[str, Any]] = []
    values: list[Any] = []
    for (section, accuracy), found in list(kept.items())[-MOST:]:
        row: dict[str, Any] = {"section": dataclasses.asdict(section), "accuracy": accuracy}
        if isinstance(found, OutOfRange):
            row["problem"] = str(found)
        else:
            row["error"] = found.error
            values += [found.capacitance.ravel(), found.inductance.ravel()]
        rows.append(row)
    head = json.dumps({"format": FORMAT, "solver": solver_state(), "sections": rows}, separators=(",", ":"))
    buffer = io.BytesIO()
    np.savez_compressed(
        buffer,
        head=np.frombuffer(head.encode("utf-8"), dtype=np.uint8),
        values=np.concatenate(values) if values else np.empty(0),
    )
    write_whole(path, buffer.getvalue())


def _unfit(path: Path, found: str) -> ReadError:
    return ReadError(path, found=found, expected=f"a file of solved cross-sections ({FORMAT})", remedy=_REMEDY)


def _read(path: Path) -> tuple[dict[str, Any], Any]:
    try:
        with zipfile.ZipFile(path) as archive:
            members = archive.infolist()
            if {m.filename for m in members} != _MEMBERS or sum(m.file_size for m in members) > LARGEST:
                raise _unfit(path, "another archive")
        with np.load(path, allow_pickle=False) as kept:
            head, values = json.loads(kept["head"].tobytes().decode("utf-8")), kept["values"]
    except (zipfile.BadZipFile, ValueError, EOFError, RecursionError) as problem:
        raise _unfit(path, "another kind of file, or a damaged one") from problem
    known = isinstance(head, dict) and head.get("format") == FORMAT and isinstance(head.get("sections"), list)
    if not known or values.dtype != np.float64 or values.ndim != 1:
        raise _unfit(path, "another format or version")
    return head, values


def _section(said: dict[str, Any]) -> CrossSection:
    coat = said["coat_above"]
    return CrossSection(
        lines=tuple(_strip(s) for s in said["lines"]),
        grounds=tuple(_strip(s) for s in said["grounds"]),
        sheets=tuple(Sheet(*(float(s[k]) for k in ("thickness", "er", "tan_d"))) for s in said["sheets"]),
        plane_below=bool(said["plane_below"]),
        plane_above=bool(said["plane_above"]),
        coat_above=None
        if coat is None
        else Coat(*(float(coat[k]) for k in ("over_laminate", "over_copper", "er", "tan_d"))),
    )


def _strip(said: dict[str, Any]) -> Strip:
    x, y, width, thickness, etch = (float(said[k]) for k in ("x", "y", "width", "thickness", "etch"))
    return Strip(x, y, width, thickness, etch, bool(said["narrow_top"]))
