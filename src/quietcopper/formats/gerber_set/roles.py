"""Which file of a set is which layer, and who says so: the user, the file's own attribute, the job file, or its name.

Source of the file functions: Gerber Layer Format Specification 2024.05, section 5.6.3. What names mean is common
practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import PurePosixPath

from quietcopper.formats.archive import Member
from quietcopper.formats.excellon import looks_like_drill
from quietcopper.formats.gerber_job import Job, looks_like_job
from quietcopper.formats.ipcd356 import looks_like_netlist

GERBER, DRILL, NETLIST, JOB, OTHER = "gerber", "drill", "netlist", "job", "other"  # kinds of files
COPPER, MASK, PROFILE, COMPONENT, HOLES, PASSED = "copper", "mask", "profile", "component", "holes", "passed"
TOP, INNER, BOTTOM = "top", "inner", "bottom"
IGNORE = "ignore"  # the user's word for a file to leave out

HEAD = 64 << 10  # bytes in which a file says what it is
_GERBER_SIGNS = re.compile(rb"%\s*(?:FS|MO(?:IN|MM)|AD\s*D\d|AM|LP[CD]|IP)|G04[^*]{0,200}\*|%TF\.|D0?[123]\*|G36\*")
_FUNCTION = re.compile(rb"(?:%|#@!\s*)TF\.FileFunction\s*,([^*%\r\n]*)")
_POLARITY = re.compile(rb"(?:%|#@!\s*)TF\.FilePolarity\s*,\s*(Positive|Negative)", re.IGNORECASE)
_SIDES = {"top": TOP, "bot": BOTTOM, "bottom": BOTTOM, "inr": INNER}


@dataclass(frozen=True)
class Role:
    """What a file is. number : copper layer from 1 where stated; side : top, inner, bottom or ""

    word : what the layer is for, in the file's word ("signal", "plane"), lower case; negative : its polarity
    span, plated : of a hole file; said : who says so, in words; function : as in a FileFunction attribute
    """

    kind: str
    number: int | None = None
    side: str = ""
    word: str = ""
    negative: bool | None = None
    plated: bool | None = None
    span: tuple[int, int] | None = None
    said: str = ""
    function: str = ""


@dataclass(frozen=True)
class SetFile:
    """A file of a set: its kind by its content, and its role where it has one."""

    member: Member
    kind: str
    role: Role

    @property
    def name(self) -> str:
        """Without folders."""
        return base_name(self.member)


def base_name(member: Member) -> str:
    return PurePosixPath(member.name or member.label.replace("\\", "/")).name


def kind_of(head: bytes) -> str:
    """Kind of a file by its first bytes."""
    if b"\0" in head[:4096]:
        return OTHER
    if looks_like_job(head):
        return JOB
    if looks_like_drill(head):
        return DRILL
    if looks_like_netlist(head):
        return NETLIST
    return GERBER if _GERBER_SIGNS.search(head) else OTHER


def role_of(member: Member, kind: str, head: bytes, job: Job | None, answers: Mapping[str, str]) -> Role:
    """The role of one file: the user's answer, its own attribute, the job file, its name, in this order."""
    name = base_name(member)
    m = _POLARITY.search(head)
    negative = m[1].lower() == b"negative" if m else None
    entry = job.entries.get(name) if job is not None else None
    if negative is None and entry is not None:
        negative = entry.negative
    answer = answers.get(name, answers.get(member.name))
    if answer is not None:
        if answer.strip().lower() == IGNORE:
            return Role(PASSED, said="the settings", function=IGNORE)
        return by_function(answer.split(","), negative, "the settings")
    if m := _FUNCTION.search(head):
        return by_function(m[1].decode("utf-8", "replace").split(","), negative, "its attribute")
    if entry is not None:
        return by_function(list(entry.function), negative, "the job file")
    return by_name(name, kind, negative)


def by_function(fields: list[str], negative: bool | None, said: str) -> Role:
    """The role that a FileFunction states, such as ["Copper", "L1", "Top", "Signal"]."""
    fields = [f.strip() for f in fields]
    words = [f.lower() for f in fields]
    function = ",".join(fields)
    side = next((_SIDES[w] for w in words[1:] if w in _SIDES), "")
    number = int(m[1]) if len(words) > 1 and (m := re.fullmatch(r"l(\d{1,4})", words[1])) else None
    if words[0] == "copper":
        word = words[3] if len(words) > 3 else ""
        return Role(COPPER, number, side, word, bool(negative), said=said, function=function)
    if words[0] == "soldermask":
        return Role(MASK, side=side, negative=negative, said=said, function=function)
    if words[0] == "profile":
        return Role(PROFILE, said=said, function=function)
    if words[0] == "component":
        return Role(COMPONENT, number, side, said=said, function=function)
    if words[0] in ("plated", "nonplated"):
        ends = [int(w) for w in words[1:3] if re.fullmatch(r"\d{1,4}", w)]
        span = (min(ends), max(ends)) if len(ends) == 2 else None
        return Role(HOLES, plated=words[0] == "plated", span=span, said=said, function=function)
    return Role(PASSED, side=side, said=said, function=function)


# ---- names ---------------------------------------------------------------------------------------

_TOP = r"top|front|f|component|comp|cmp|prim(?:ary)?|upper"
_BOTTOM = r"bot|bottom|back|b|solder|sol|sec(?:ondary)?|lower"
_SIDE_WORD = re.compile(rf"(?:^|[^a-z])(?:({_TOP})|({_BOTTOM}))(?=[^a-z]|$)")
# words that make a Gerber file something else than copper, first hit wins; the group tells the side where it can
_PASSED = re.compile(
    r"paste|cream|stencil|silk|legend|overlay|overly|fab|ass[ey]|drawing|drill ?map|"
    r"(?:^|[^a-z])(?:ss[tbcl]|sp[cs]|plc|pls|crc|crs|map|notes?|comments?|cmts|user|eco\d*|courtyard|crtyd|adhes\w*|"
    r"glue|keep ?out|vcut|vscore)(?=[^a-z]|$)"
)
_MASK = re.compile(
    r"mask|resist|(?:^|[^a-z])(?:sm([tbcs])|st([cs]))(?=[^a-z]|$)|(?:top|bottom|bot)[ _-]?solder(?=[^a-z]|$)"
)
_PROFILE = re.compile(
    r"(?:^|[^a-z])(?:edges?|outline|profile|border|contour|boundary|dim(?:ension)?s?|boardshape|brd)(?=[^a-z]|$)|edge_?cuts|"
    r"outline"
)
_NUMBERED = re.compile(
    r"(?:^|[^a-z])(?:in(?:ner|t|r)?|mid|lyr|layer|lay|ly|l|signal|sig|copper|cu|plane)[ _.-]*0*(\d{1,2})(?=[^0-9]|$)"
)
_PLANE = re.compile(r"(?:^|[^a-z])(?:a?gnd|ground|pow(?:er)?|pwr|vcc|vdd|plane|inner|int)\d?(?=[^a-z0-9]|$)")
_EXTENSIONS: dict[str, tuple[str, str]] = {
    "gtl": (COPPER, TOP), "cmp": (COPPER, TOP), "gbl": (COPPER, BOTTOM), "sol": (COPPER, BOTTOM),
    "gts": (MASK, TOP), "stc": (MASK, TOP), "gbs": (MASK, BOTTOM), "sts": (MASK, BOTTOM),
    "gko": (PROFILE, ""), "gm1": (PROFILE, ""), "gml": (PROFILE, ""), "gm": (PROFILE, ""), "oln": (PROFILE, ""),
    "gto": (PASSED, TOP), "gbo": (PASSED, BOTTOM), "gtp": (PASSED, TOP), "gbp": (PASSED, BOTTOM),
    "plc": (PASSED, TOP), "pls": (PASSED, BOTTOM), "crc": (PASSED, TOP), "crs": (PASSED, BOTTOM),
    "gpt": (PASSED, TOP), "gpb": (PASSED, BOTTOM), "gdd": (PASSED, ""), "gd1": (PASSED, ""), "gg1": (PASSED, ""),
}  # fmt: skip
_INNER_EXTENSION = re.compile(r"(?:g|gp|gl|in|ly)(\d{1,2})l?")


def by_name(name: str, kind: str, negative: bool | None = None) -> Role:
    """The role that a file's name suggests; PASSED with an empty function where it says nothing."""
    text = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name).lower()
    stem, _, extension = text.rpartition(".")
    if kind == DRILL:
        return Role(HOLES, plated=_plated_by_name(stem), said="its name", function="drill")
    said = "its name"

    def role(kind: str, side: str = "", number: int | None = None) -> Role:
        sense = bool(negative) if kind == COPPER else negative
        return Role(kind, number, side, negative=sense, said=said, function=kind)

    side = _side(stem)
    if m := _MASK.search(stem):
        letter = m[1] or m[2] or ""
        plain = _side(re.sub(r"solder|sol", "", stem))  # of the mask, not of the side
        return role(MASK, {"t": TOP, "c": TOP, "b": BOTTOM, "s": BOTTOM}.get(letter, plain))
    if _PASSED.search(stem) or _EXTENSIONS.get(extension, ("", ""))[0] == PASSED:
        return Role(PASSED, side=side, said=said, function="paste, legend or drawing by its name")
    if extension in _EXTENSIONS:
        return role(*_EXTENSIONS[extension])
    if m := _INNER_EXTENSION.fullmatch(extension):
        return role(COPPER, INNER, int(m[1]))
    if _PROFILE.search(stem):
        return role(PROFILE)
    if side:
        return role(COPPER, side)
    if m := _NUMBERED.search(stem):
        return role(COPPER, "", int(m[1]))
    if _PLANE.search(stem):
        return role(COPPER, INNER)
    return Role(PASSED, negative=negative)


def _side(text: str) -> str:
    """The side that the words of a name tell; of several the last, because the board's own name stands first."""
    found = list(_SIDE_WORD.finditer(text))
    return "" if not found else TOP if found[-1][1] else BOTTOM


def _plated_by_name(stem: str) -> bool | None:
    if re.search(r"(?:^|[^a-z])(?:npth|npt|np|non[ _-]?plated|unplated)(?=[^a-z]|$)", stem):
        return False
    return True if re.search(r"(?:^|[^a-z])(?:pth|plated)(?=[^a-z]|$)", stem) else None


def span_by_name(name: str, layer_names: Mapping[str, int], count: int) -> tuple[int, int] | None:
    """The copper layers, from 1, that a drill file's name joins: "front-in1", "L2-L3", "1-4".

    layer_names : layer number by lower-case name
    """
    stem = name.lower().rpartition(".")[0] or name.lower()
    found: list[tuple[int, int]] = []  # place in the name, layer
    patterns: tuple[tuple[str, Callable[[re.Match[str]], int]], ...] = (
        (r"(?:^|[^a-z])(?:front|top|f)(?=[^a-z]|$)", lambda m: 1),
        (r"(?:^|[^a-z])(?:back|bottom|bot|b)(?=[^a-z]|$)", lambda m: count),
        (r"(?:^|[^a-z])in(?:ner)?[ _]?(\d{1,2})(?=[^0-9]|$)", lambda m: int(m[1]) + 1),
        (r"(?:^|[^a-z])(?:l|layer)[ _]?(\d{1,2})(?=[^0-9]|$)", lambda m: int(m[1])),
    )
    for pattern, number in patterns:
        found += [(m.start(), number(m)) for m in re.finditer(pattern, stem)]
    for layer, number_of in layer_names.items():
        if len(layer) > 2 and (at := stem.find(layer)) >= 0:
            found.append((at, number_of))
    if len(found) < 2 and (m := re.search(r"(?:^|[^0-9])(\d{1,2})[-_](\d{1,2})$", stem)):
        found = [(0, int(m[1])), (1, int(m[2]))]
    layers = sorted({layer for _, layer in found if 1 <= layer <= count})
    return (layers[0], layers[-1]) if len(layers) == 2 else None
