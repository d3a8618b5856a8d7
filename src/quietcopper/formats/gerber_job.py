"""Gerber job files: which file is which layer, and the stackup. The JSON form and the older one in Gerber's own syntax.

Sources: Gerber Job Format Specification (revision 2020.08) and its draft of 2018 for the older form (TJ attributes),
both from memory.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import PurePosixPath
from typing import Any

from quietcopper.board.model import Unread
from quietcopper.errors import ReadError
from quietcopper.formats.counts import Counts
from quietcopper.units import INCH, MM

MAX_BYTES = 16 << 20
MAX_ENTRIES = 10_000  # files, sheets of the stackup
MAX_THICKNESS = 50e-3  # m, of a board or a sheet
MAX_LAYERS = 200
OLD_FORM = re.compile(rb"TF\.FileFunction,JobInfo|%TJ\.", re.IGNORECASE)


@dataclass(frozen=True)
class JobSheet:
    """An entry of MaterialStackup. kind : the file's own word, lower case ("copper", "dielectric", "soldermask", …).

    thickness in m; None where the file states none
    """

    kind: str
    name: str = ""
    thickness: float | None = None
    material: str = ""
    er: float | None = None
    tan_d: float | None = None
    notes: str = ""


@dataclass(frozen=True)
class JobEntry:
    """An entry of FilesAttributes. function : fields of the FileFunction; negative : of its FilePolarity."""

    path: str
    function: tuple[str, ...]
    negative: bool | None = None


@dataclass(frozen=True)
class Job:
    """A job file. thickness in m; None or empty where not stated. entries by the file's name without folders."""

    path: str
    name: str = ""
    revision: str = ""
    layer_count: int | None = None
    thickness: float | None = None
    impedance_controlled: bool = False
    entries: Mapping[str, JobEntry] = field(default_factory=dict)
    stackup: tuple[JobSheet, ...] = ()
    unread: tuple[Unread, ...] = ()
    problems: tuple[str, ...] = ()


def looks_like_job(head: bytes) -> bool:
    """Whether a file's first bytes are those of a job file of either form."""
    text = head.lstrip(b"\xef\xbb\xbf \t\r\n")
    if text.startswith(b"{"):
        return any(
            word in head for word in (b'"GeneralSpecs"', b'"FilesAttributes"', b'"MaterialStackup"', b'"Header"')
        )
    return bool(OLD_FORM.search(head))


def read_job(data: bytes, path: str) -> Job:
    """Reads a job file of either form. Raises ReadError for one that is damaged or out of bounds."""
    if len(data) > MAX_BYTES:
        raise ReadError(path, found=f"{len(data)} bytes", expected=f"a job file of at most {MAX_BYTES}")
    if not data.lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"{"):
        return _old_form(data, path)
    try:
        document = json.loads(data.decode("utf-8-sig", "replace"))
    except json.JSONDecodeError as error:
        raise ReadError(
            path, error.lineno, found=f"no JSON ({error.msg})", remedy="write the job file again"
        ) from error
    except (RecursionError, ValueError) as error:  # deep nesting; a number of too many digits
        raise ReadError(path, found="JSON that is nested too deeply or has endless numbers") from error
    if not isinstance(document, dict):
        raise ReadError(path, found="JSON that is no job file", expected="an object with GeneralSpecs")
    return _Reader(path).read(document)


class _Reader:
    def __init__(self, path: str) -> None:
        self.path, self.counts = path, Counts()

    def read(self, document: dict[str, Any]) -> Job:
        specs = self._object(document.get("GeneralSpecs"), "GeneralSpecs")
        project = self._object(specs.get("ProjectId"), "ProjectId")
        for name in document:
            if name not in ("Header", "GeneralSpecs", "FilesAttributes", "MaterialStackup", "DesignRules"):
                self.counts.unread(f"{str(name)[:40]} in the job file", 0)
        if "DesignRules" in document:
            self.counts.unread(
                "DesignRules in the job file", 0, "what the board house must hold, not what the board is"
            )
        return Job(
            path=self.path,
            name=_text(project.get("Name")),
            revision=_text(project.get("Revision")),
            layer_count=self._count(specs.get("LayerNumber")),
            thickness=self._number(specs, "BoardThickness", 0.0, MAX_THICKNESS / MM, MM) or None,
            impedance_controlled=specs.get("ImpedanceControlled") is True,
            entries=self._entries(document.get("FilesAttributes")),
            stackup=self._stackup(document.get("MaterialStackup")),
            unread=self.counts.rows(),
            problems=self.counts.problems,
        )

    def _object(self, value: Any, name: str) -> dict[str, Any]:
        if value is not None and not isinstance(value, dict):
            self.counts.problem(f"{self.path}: {name} is no object; it was left out.")
        return value if isinstance(value, dict) else {}

    def _rows(self, value: Any, name: str) -> list[dict[str, Any]]:
        if value is None:
            return []
        if not isinstance(value, list) or len(value) > MAX_ENTRIES:
            self.counts.problem(f"{self.path}: {name} is no list of at most {MAX_ENTRIES} entries; it was left out.")
            return []
        rows = [row for row in value if isinstance(row, dict)]
        if len(rows) < len(value):
            self.counts.problem(f"{self.path}: entries of {name} that are no objects were left out.")
        return rows

    def _number(self, row: Mapping[str, Any], name: str, low: float, high: float, factor: float = 1.0) -> float | None:
        """A number, or one in quotes as some files have it; None where there is none or where it is impossible."""
        value = row.get(name)
        if value is None:
            return None
        try:
            found = math.nan if isinstance(value, bool) else float(str(value).strip())
        except ValueError:
            found = math.nan
        if not low <= found <= high:
            self.counts.problem(f"{self.path}: {name} is {str(value)[:30]!r}; expected {low:g} to {high:g}, left out.")
            return None
        return found * factor

    def _count(self, value: Any) -> int | None:
        if value is None:
            return None
        number = self._number({"LayerNumber": value}, "LayerNumber", 1, MAX_LAYERS)
        return int(number) if number is not None else None

    def _entries(self, value: Any) -> dict[str, JobEntry]:
        out: dict[str, JobEntry] = {}
        for row in self._rows(value, "FilesAttributes"):
            path, function = _text(row.get("Path")), _text(row.get("FileFunction"))
            if not path or not function:
                continue
            polarity = _text(row.get("FilePolarity")).lower()
            negative = polarity == "negative" if polarity in ("positive", "negative") else None
            name = PurePosixPath(path.replace("\\", "/")).name
            entry = JobEntry(path, tuple(part.strip() for part in function.split(",")), negative)
            if out.setdefault(name, entry).function != entry.function:
                self.counts.problem(f"{self.path}: {name} is listed twice with different functions; the first holds.")
        return out

    def _stackup(self, value: Any) -> tuple[JobSheet, ...]:
        out = []
        for row in self._rows(value, "MaterialStackup"):
            kind = _text(row.get("Type")).lower()
            if kind:
                out.append(
                    JobSheet(
                        kind=kind,
                        name=_text(row.get("Name")),
                        thickness=self._number(row, "Thickness", 0.0, MAX_THICKNESS / MM, MM) or None,
                        material=_text(row.get("Material")),
                        er=self._number(row, "DielectricConstant", 1.0, 1000.0),
                        tan_d=self._number(row, "LossTangent", 0.0, 1.0),
                        notes=_text(row.get("Notes")),
                    )
                )
        return tuple(out)


def _text(value: Any) -> str:
    return value.strip()[:500] if isinstance(value, str) else ""


def _old_form(data: bytes, path: str) -> Job:
    text = data.decode("latin-1")
    counts = Counts()
    unit = INCH if re.search(r"%MOIN\*%", text) else MM
    found: dict[str, str] = {}
    for m in re.finditer(r"%TJ\.([^,*%]{1,80}),?([^*%]{0,2000})\*", text):
        found.setdefault(m[1].strip(), m[2].strip())
    used = {"B_LayerNum", "B_Thickness", "B_Overall_Thickness", "B_ID"}
    for name in found:
        if name not in used:
            counts.unread(f"{name} in the job file", 0, "says nothing of the layout")
    layers, thickness = None, None
    if (number := _plain(found.get("B_LayerNum"))) is not None and 1 <= number <= MAX_LAYERS:
        layers = int(number)
    stated = _plain(found.get("B_Thickness", found.get("B_Overall_Thickness")))
    if stated is not None and 0 < stated * unit <= MAX_THICKNESS:
        thickness = stated * unit
    if not found and not OLD_FORM.search(data):
        raise ReadError(path, found="no job statement", expected="a job file (JSON, or %TJ attributes)")
    return Job(path, found.get("B_ID", ""), "", layers, thickness, unread=counts.rows(), problems=counts.problems)


def _plain(text: str | None) -> float | None:
    return float(text) if text is not None and re.fullmatch(r"\d{1,9}(?:\.\d{0,12})?", text) else None
