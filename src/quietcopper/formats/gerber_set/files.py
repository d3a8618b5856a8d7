"""The files of a set put in order: copper layers from the component side down, and what else there is."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import pairwise

from quietcopper.errors import ReadError
from quietcopper.formats.archive import Source
from quietcopper.formats.counts import Counts
from quietcopper.formats.gerber_job import Job, read_job
from quietcopper.formats.gerber_set.roles import (
    BOTTOM,
    COMPONENT,
    COPPER,
    DRILL,
    GERBER,
    HEAD,
    HOLES,
    JOB,
    MASK,
    NETLIST,
    OTHER,
    PASSED,
    PROFILE,
    TOP,
    Role,
    SetFile,
    kind_of,
    role_of,
)

MAX_JOB = 16 << 20  # bytes
ASK = 'state it in the settings file ([files] "{name}" = "Copper,L1,Top", or "ignore"), or in a job file'


@dataclass
class FileSet:
    """What a source holds. copper : from layer 1 down; layer_names, layer_words : name and purpose of each."""

    source: Source
    counts: Counts
    copper: list[SetFile] = field(default_factory=list)
    profile: list[SetFile] = field(default_factory=list)
    holes: list[SetFile] = field(default_factory=list)
    components: list[SetFile] = field(default_factory=list)
    netlists: list[SetFile] = field(default_factory=list)
    masks: set[str] = field(default_factory=set)
    job: Job | None = None
    job_name: str = ""
    board_name: str = ""
    layer_names: list[str] = field(default_factory=list)
    layer_words: list[str] = field(default_factory=list)

    @property
    def used(self) -> list[SetFile]:
        return [*self.copper, *self.profile, *self.holes, *self.components, *self.netlists]


def sort_out(source: Source, answers: Mapping[str, str]) -> FileSet:
    """Every file of a source with its role. Raises ReadError, with the question to answer, for two files that claim one
    layer, for a missing layer, and for a source without copper."""
    heads = [(member, member.head(HEAD)) for member in source.members]
    kinds = [kind_of(head) for _, head in heads]
    out = FileSet(source, Counts())
    _job(out, heads, kinds)
    files = [
        SetFile(
            member, kind, role_of(member, kind, head, out.job, answers) if kind in (GERBER, DRILL) else Role(PASSED)
        )
        for (member, head), kind in zip(heads, kinds, strict=True)
    ]
    named = {file.name for file in files} | {file.member.name for file in files}
    for name in answers:
        if name not in named:
            out.counts.problem(f"The settings tell what {name} is, and there is no such file.")
    if source.kind == "file":
        files = [_lone(source, files[0])]
    for file in files:
        _place(out, file)
    _order(out, files)
    for side in (TOP, BOTTOM):
        _single(out, [f for f in files if f.role.kind == MASK and f.role.side == side], f"{side} solder mask")
    _single(out, out.netlists, "netlist")
    _names(out)
    return out


def _job(out: FileSet, heads: list[tuple], kinds: list[str]) -> None:
    jobs = [member for (member, _), kind in zip(heads, kinds, strict=True) if kind == JOB]
    for number, member in enumerate(jobs):
        name = os.path.basename(member.name or member.label)
        if number:
            out.counts.problem(f"{name} is a second job file; {out.job_name} holds.")
            continue
        with member.open() as stream:
            data = stream.read(MAX_JOB + 1)
        out.job_name = name
        try:
            out.job = read_job(data, member.label)
        except ReadError as error:
            out.counts.problem(f"The job file was not used: {error}.")


def _lone(source: Source, file: SetFile) -> SetFile:
    """A single layer file is a board of one layer, whatever it is called, unless it says that it is no copper."""
    if file.kind == GERBER and file.role.said not in ("its attribute", "the settings"):
        role = Role(COPPER, 1, TOP, negative=file.role.negative, said="being the only file", function="Copper,L1,Top")
        return SetFile(file.member, file.kind, role)
    if file.role.kind == COPPER:
        return file
    what = {DRILL: "a drill file", NETLIST: "a netlist", JOB: "a job file"}.get(file.kind, "a layer without copper")
    if file.role.function and file.kind == GERBER:
        what = f"a single layer, {file.role.function}"
    raise ReadError(
        source.path, found=what, expected="copper layers", remedy="name the folder or .zip that holds the whole set"
    )


def _place(out: FileSet, file: SetFile) -> None:
    role = file.role
    if role.kind == COPPER:
        out.copper.append(file)
    elif role.kind == PROFILE:
        out.profile.append(file)
    elif role.kind == HOLES:
        out.holes.append(file)
    elif role.kind == COMPONENT:
        out.components.append(file)
    elif role.kind == MASK:
        if role.side:
            out.masks.add(role.side)
    elif file.kind == NETLIST:
        out.netlists.append(file)
    elif file.kind == GERBER and not role.function:
        out.counts.unread(f"layer file {file.name}", 0, "nothing says which layer it is")
    elif file.kind == GERBER:
        out.counts.unread(f"layer file {file.name}", 0, f"{role.function}: no copper")
    elif file.kind == OTHER:
        out.counts.unread("files that are no layer, drill, netlist or job file", 0, "not needed")


def _order(out: FileSet, files: list[SetFile]) -> None:
    """Copper files from the top down. Raises ReadError where their order or one of them is missing."""
    copper, path = out.copper, out.source.path
    if not copper:
        loose = [f.name for f in files if f.kind == GERBER and not f.role.function]
        what = f"{len(loose)} layer files and nothing that says which they are ({_list(loose)})" if loose else (
            f"{len(files)} files and no copper layer among them"
        )  # fmt: skip
        raise ReadError(
            path, found=what, expected="copper layers", remedy=ASK.format(name=loose[0]) if loose else "add them"
        )
    stated = [f for f in copper if f.role.said != "its name"]
    if stated and len(stated) < len(copper):
        # names are the weakest witness: where others speak, a file known only by its name is no layer
        for file in copper:
            if file not in stated:
                out.counts.problem(
                    f"{file.name} looks like a copper layer by its name only, while other files state what they are; "
                    "it was left out."
                )
        copper = stated
    copper = _in_order(out, copper)
    _tell_missing(out, copper, by_name=not stated)
    out.copper = copper
    if len(copper) == 1 and out.source.kind != "file":
        out.counts.problem("The set has one copper layer. References on other layers cannot be seen.")
    for number, file in enumerate(copper, 1):
        if file.role.said == "its name":
            out.counts.assume(f"layer of {file.name}", number, "", "no attribute and no job file says it; by its name")
    _compare_with_job(out)


def _in_order(out: FileSet, copper: list[SetFile]) -> list[SetFile]:
    """Top, inner layers by their numbers, bottom. Raises ReadError for two in one place or one without a place."""
    top = [f for f in copper if f.role.side == TOP]
    bottom = [f for f in copper if f.role.side == BOTTOM]
    rest = [f for f in copper if f.role.side not in (TOP, BOTTOM)]
    _one(out, top, "the top layer")
    _one(out, bottom, "the bottom layer")
    loose = [f.name for f in rest if f.role.number is None]
    if loose and (len(rest) > 1 or not (top and bottom)):
        raise ReadError(
            out.source.path,
            found=f"copper layers whose order nothing states ({_list(loose)})",
            expected="a number for each",
            remedy=ASK.format(name=loose[0]).replace("L1,Top", "L2,Inr"),
        )
    rest.sort(key=lambda f: f.role.number or 0)
    for a, b in pairwise(rest):
        if a.role.number == b.role.number:
            _one(out, [a, b], f"layer {a.role.number}")
    return [*top, *rest, *bottom]


def _tell_missing(out: FileSet, order: list[SetFile], by_name: bool) -> None:
    """Raises ReadError where the numbers of the layers leave one out.

    By name only the numbered ones count, and they may begin anywhere where there is a top layer (In1 or Layer2). A job
    file may number in any way as long as all its layers are there (L1, L5, L7, L6).
    """
    if len(order) == 1 and out.source.kind == "file":
        return
    numbers = [f.role.number for f in order if f.role.number is not None]
    if by_name:
        first = numbers[0] if numbers and any(f.role.side == TOP for f in order) else 1
    else:
        first = 1
        from_job = any(f.role.said == "the job file" for f in order)
        rising = all(a < b for a, b in pairwise(numbers))
        if len(numbers) < len(order) or (from_job and not rising):
            return
    gaps = sorted(set(range(first, max(numbers, default=0) + 1)) - set(numbers))
    if gaps:
        raise ReadError(
            out.source.path,
            found=f"copper layers {_list([str(n) for n in numbers])}",
            expected=f"layer {_list([str(n) for n in gaps])} as well",
            remedy="add the file, or number the layers that there are in the settings file "
            f'([files] "{order[-1].name}" = "Copper,L{len(order)},Bot")',
        )


def _compare_with_job(out: FileSet) -> None:
    job = out.job
    if job is None:
        return
    if job.layer_count is not None and job.layer_count != len(out.copper):
        out.counts.problem(f"The job file states {job.layer_count} copper layers and the set has {len(out.copper)}.")
    other = []
    for number, file in enumerate(out.copper, 1):
        entry = job.entries.get(file.name)
        if entry is None or len(entry.function) < 2 or entry.function[0].lower() != "copper":
            continue
        if re.fullmatch(r"[Ll]\d+", entry.function[1]) and int(entry.function[1][1:]) != number:
            other.append(f"{file.name} {entry.function[1]}")
    if other:
        out.counts.problem(
            f"The job file numbers layers otherwise than the files themselves ({_list(other)}); the files hold."
        )


def _one(out: FileSet, files: list[SetFile], what: str) -> None:
    if len(files) > 1:
        names = [f.name for f in files]
        who = ", ".join(sorted({f.role.said for f in files}))
        raise ReadError(
            out.source.path,
            found=f"{len(files)} files that claim to be {what} ({_list(names)}), by {who}",
            expected="one",
            remedy=f'leave one out in the settings file ([files] "{names[-1]}" = "ignore"), or state its layer there',
        )


def _single(out: FileSet, files: list[SetFile], what: str) -> None:
    """Of files that copper does not hang on, the first is used."""
    if len(files) > 1:
        out.counts.problem(f"{_list([f.name for f in files])} all claim to be the {what}; {files[0].name} was used.")


def _list(names: list[str]) -> str:
    return ", ".join(names[:8]) + (f" and {len(names) - 8} more" if len(names) > 8 else "")


def _names(out: FileSet) -> None:
    """Names of the board and of its layers, from the job file or what differs between the files' names."""
    path = out.source.path
    stem = path.name if out.source.kind == "folder" else path.stem
    out.board_name = (out.job.name if out.job is not None else "") or stem
    names = [f.name.rpartition(".")[0] or f.name for f in out.copper]
    if len(names) > 1:
        same = min(next((i for i, c in enumerate(zip(*names, strict=False)) if len(set(c)) > 1), 999), *map(len, names))
        head = names[0][:same]
        head = head[: max((head.rfind(c) for c in "-_. "), default=-1) + 1]
        names = [name[len(head) :] for name in names]
    seen: dict[str, int] = {}
    for number, name in enumerate(names):
        name = name.strip() or f"L{number + 1}"
        seen[name] = seen.get(name, 0) + 1
        out.layer_names.append(name if seen[name] == 1 else f"{name} ({seen[name]})")
    out.layer_words = [f.role.word for f in out.copper]
