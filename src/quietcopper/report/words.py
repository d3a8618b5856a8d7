"""Numbers and sentences for readers: figures with their units, counts in words, the verdict."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from quietcopper.findings.model import (
    CANNOT,
    CHANGE_IT,
    DECISION_STATES,
    HELPS_NOT,
    IMPROVE_IT,
    LEAST_GAIN_DB,
    WATCH_IT,
)
from quietcopper.units import engineering, listed

_SMALL = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")
_SIGNS = {"ohm": "Ω", "m2": "m²", "mm2": "mm²", "dBuV": "dBµV", "dBuV/m": "dBµV/m", "dBuA": "dBµA", "mV": "mV"}
_SCALED = {
    "V",
    "A",
    "H",
    "F",
    "s",
    "Hz",
    "ohm",
    "W",
    "V/m",
    "A/m",
    "S/m",
    "Wb",
}  # take a prefix; others are shown as they are
MINUS = "\N{MINUS SIGN}"
MOST_NAMED_CAUSES = 4  # a headline that counts more causes than this explains nothing
EXPLAINED_SHARE = 2 / 3  # of the places that the causes in the headline together explain


def sign(unit: str) -> str:
    """The unit as it is printed: Ω for ohm."""
    return _SIGNS.get(unit, unit)


def number(value: float, digits: int = 3) -> str:
    """Plain number with a true minus sign, no exponent for everyday sizes."""
    text = f"{value:.{digits}g}"
    if "e" in text and 1e-6 < abs(value) < 1e7:
        text = f"{float(text):.0f}" if abs(value) >= 1 else f"{float(text):.6f}".rstrip("0")
    return text.replace("-", MINUS)


def figure(value: float | None, unit: str) -> str:
    """'61 mV', '0.21 mm', '12 %': a figure of the result document with the prefix that suits its size."""
    if value is None:
        return "not known"
    if unit == "mm":
        return engineering(value * 1e-3, "m").replace("-", MINUS)
    if unit in {"1", "ratio"}:
        return engineering(value, "1").replace("-", MINUS)
    if unit in _SCALED:
        return engineering(value, sign(unit)).replace("-", MINUS)
    return f"{number(value)} {sign(unit)}".rstrip()


def assumed(value: float | str | None, unit: str) -> str:
    """The value of an assumption: a number with the prefix that suits its size, text as it stands."""
    if value is None or isinstance(value, str):
        return f"{value or ''} {unit}".strip().replace("ohm", "Ω")
    if unit == "m":
        return figure(value * 1e3, "mm")
    return figure(value, unit) if unit in _SCALED else f"{number(value)} {sign(unit) if unit != '1' else ''}".strip()


def decibels(value: float | None, *, removed: bool = False, unit: bool = True) -> str:
    """'+12.8 dB', '−1.4 dB'; 'nothing left' where a change removes the finding, an en dash where not worked out."""
    if value is None:
        return "nothing left" if removed else "–"
    text = f"{value:+.1f}".replace("-", MINUS)
    if float(f"{value:.1f}") == 0:
        text = "0.0"
    return f"{text} dB" if unit else text


def over(excess: float | None) -> bool:
    """Whether an excess of the document is at or above the allowance."""
    return excess is not None and excess >= 0


def count_word(n: int, *, capital: bool = False) -> str:
    """'nine' for 9, '13' for 13, 'no' for 0."""
    text = _SMALL[n] if n < len(_SMALL) else f"{n:,}".replace(",", "\N{NARROW NO-BREAK SPACE}")
    return text[:1].upper() + text[1:] if capital else text


def counted(n: int, singular: str, plural: str = "", *, capital: bool = False) -> str:
    """'one place', 'nine places'."""
    return f"{count_word(n, capital=capital)} {singular if n == 1 else plural or singular + 's'}"


def sentence(text: str) -> str:
    """Trimmed, with a capital and a full stop; text that starts with a name keeps its case."""
    text = text.strip()
    if not text:
        return ""
    first = text.split()[0]
    if first.islower():
        text = text[:1].upper() + text[1:]
    return text if text[-1] in ".!?:" else text + "."


def clause(text: str) -> str:
    """Text to be continued: trimmed, without its full stop."""
    return text.strip().rstrip(".")


def shortened(text: str, most: int) -> str:
    """Text of at most so many characters, an ellipsis for what was cut."""
    return text if len(text) <= most else text[: most - 1].rstrip(" ,") + "…"


ONE_SCALE = (
    "Places of every kind stand on one scale, how far each predicted figure lies above what it may be: so many dB over "
    "one allowance count as much as so many over another, within a kind and across kinds; causes rank by the excess of "
    "all their places added."
)


def also_cured(causes: Sequence[Any]) -> str:
    """'The same change also brings cause 8 under the allowance: Pour …' of views of causes."""
    numbers = listed([str(c.number) for c in causes], 12)
    which = f"cause {numbers}" if len(causes) == 1 else f"causes {numbers}"
    return f"The same change also brings {which} under the allowance: {'; '.join(c.title for c in causes)}."


def _over_with_along(causes: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Causes over the allowance with their number, each with the places of those that its change cures as well."""
    along: dict[str, list[str]] = {}
    for cause in causes:
        if cause["cured_by"]:
            along.setdefault(cause["cured_by"], []).extend(cause["findings"])
    numbered = [{**c, "number": number} for number, c in enumerate(causes, start=1)]
    own = [c for c in numbered if over(c["excess_before_db"]) and not c["cured_by"]]
    return [{**c, "findings": [*c["findings"], *along.get(c["id"], ())]} for c in own]


def _who_explains(causes: Sequence[Mapping[str, Any]], places: set[str]) -> tuple[list[int], int]:
    """Numbers of the fewest causes that together explain at least EXPLAINED_SHARE of the places, and how many they
    explain."""
    counts = [(sum(f in places for f in cause["findings"]), -cause["number"]) for cause in causes]
    used: list[int] = []
    explained = 0
    for count, number in sorted(counts, reverse=True):
        used.append(-number)
        explained += count
        if explained >= EXPLAINED_SHARE * len(places):
            break
    return sorted(used), explained


MOSTLY = 0.5  # mean share of each check's things that must have been looked at to call it a verdict


def headline(document: Mapping[str, Any]) -> str:
    """The verdict in one sentence, from the counts."""
    findings, causes = document["findings"], _over_with_along(document["causes"])
    grades = Counter(f["grade"] for f in findings)
    if not grades[CHANGE_IT] and not grades[IMPROVE_IT]:
        if grades[WATCH_IT]:
            return f"Nothing is over its allowance; {counted(grades[WATCH_IT], 'place comes', 'places come')} close."
        if not any(c["looked"] for c in document["coverage"]):
            return "Nothing on this board could be checked."
        shares = [c["looked"] / c["total"] for c in document["coverage"] if c["total"]]
        if shares and sum(shares) / len(shares) < MOSTLY:
            return "Little of this board could be checked."
        what = "What could be checked" if document["not_checked"] else "Everything that was checked"
        return f"{what} is within its allowance."
    grade, verb = (CHANGE_IT, "change") if grades[CHANGE_IT] else (IMPROVE_IT, "improve")
    places = {f["id"] for f in findings if f["grade"] == grade}
    if len(places) == 1:
        return f"There is one place to {verb}."
    numbers, explained = _who_explains(causes, places)
    used = len(numbers)
    of = f"the {counted(len(places), 'place')} to {verb}"
    if used == explained:
        return f"{counted(len(places), 'place', capital=True)} to {verb}, each with a cause of its own."
    if used > MOST_NAMED_CAUSES:
        return f"{counted(len(places), 'place', capital=True)} to {verb}, from {count_word(len(causes))} causes."
    who = counted(used, "cause explains", "causes explain", capital=True)
    if numbers != list(range(1, used + 1)):  # not those that stand first
        who = f"Causes {listed([str(n) for n in numbers])} explain" if used > 1 else f"Cause {numbers[0]} explains"
    if explained == len(places):
        return f"{who} {'both places' if explained == 2 else f'all {count_word(explained)} places'} to {verb}."
    return f"{who} {count_word(explained)} of {of}."


TRIED = {  # why nothing is left to propose for a cause
    HELPS_NOT: "Nothing that was tried helps; how it is mended is the designer's.",
    CANNOT: "None of the changes that were tried can be made on this board; how it is mended is the designer's.",
}


def is_advice(change: Mapping[str, Any] | None) -> bool:
    """Whether a change is one in words, which cannot be tried."""
    return change is not None and not change.get("kind")


def gain(cause: Mapping[str, Any]) -> str:
    """What the proposed change does, in a sentence or two; why nothing is proposed where all that was tried failed;
    empty where a cause has no change."""
    change = cause["change"]
    if change is None:
        return TRIED.get(cause.get("tried") or "", "")
    what = sentence(clause(change["text"]))[:-1]
    before, after = cause["excess_before_db"], cause["excess_after_db"]
    if cause["removed"]:
        return f"{what}: nothing of it is left."
    if is_advice(change):
        return f"{what}. It was not tried: how it is done is the designer's."
    if after is None or before is None:
        return f"{what}. What it would gain was not worked out."
    if abs(after - before) < LEAST_GAIN_DB:
        others = "; what it gains stands beside the places" if len(cause["findings"]) > 1 else ""
        return f"{what}: the worst excess stays at {decibels(after)}{others}."
    verb = "falls" if after < before else "rises"
    return f"{what}: the worst excess {verb} from {decibels(before)} to {decibels(after)}."


def lacking(document: Mapping[str, Any]) -> list[str]:
    """What the data leave out that every figure hangs on, one sentence each: parts, names of nets, holes."""
    board = document.get("board", {})
    unnamed = sum(a["value"] for a in document.get("assumptions", ()) if a["what"] == "net names")
    out = []
    if board.get("parts") == 0:
        what = "neither nets nor parts" if unnamed and unnamed >= board["nets"] else "no parts"
        out.append(
            f"The data name {what}: what drives each line is assumed, and what capacitors would decide was not checked."
        )
    if board.get("vias") == 0 and len(board["layers"]) > 1:
        out.append("The data hold no holes: nothing joins the layers, and no change of layers could be checked.")
    return out


def standfirst(document: Mapping[str, Any]) -> str:
    """What stands under the headline: what the data leave out, the first cause and what its change would gain."""
    return " ".join([*lacking(document), _first(document)]).strip()


def _first(document: Mapping[str, Any]) -> str:
    causes = document["causes"]
    if causes and over(causes[0]["excess_before_db"]):
        change, after = causes[0]["change"], causes[0]["excess_after_db"]
        known = after is not None or causes[0]["removed"]
        label = "Advice" if is_advice(change) else "Proposed"
        proposal = gain(causes[0]) if known or change is None else f"{label}: {clause(change['text'])}."
        return f"{sentence(causes[0]['title'])} {proposal}".strip()
    if document["not_checked"]:
        missing = counted(len(document["not_checked"]), "thing", capital=True)
        return f"{missing} could not be checked; the reasons stand below."
    return ""


def grade_counts(document: Mapping[str, Any]) -> list[tuple[str, int]]:
    """(grade, number of findings) for the grades that a reader acts on."""
    grades = Counter(f["grade"] for f in document["findings"])
    return [(g, grades[g]) for g in (CHANGE_IT, IMPROVE_IT, WATCH_IT)]


def decided(decision: Mapping[str, str] | None) -> str:
    """'accepted: shielded by the housing (A. Weber, 2025-11-25)'; empty where nothing was decided."""
    if not decision:
        return ""
    reason = f": {clause(decision['reason'])}" if decision["reason"].strip() else ""
    signed = ", ".join(filter(None, (decision["author"], decision["time"].partition("T")[0])))
    return f"{decision['state']}{reason}{f' ({signed})' if signed else ''}"


def commented(comment: Mapping[str, str]) -> str:
    """'the shield was left out (A. Weber, 2025-11-25)'."""
    signed = ", ".join(filter(None, (comment["author"], comment["time"].partition("T")[0])))
    return clause(comment["text"]) + (f" ({signed})" if signed else "")


def comments_of(entry: Mapping[str, Any]) -> list[str]:
    """The comments on a finding or cause of the document, one sentence each, oldest first."""
    return [sentence(commented(c)) for c in entry.get("comments", ())]


def comment_count(document: Mapping[str, Any]) -> str:
    """'two comments'; empty for none."""
    many = sum(len(entry.get("comments", ())) for entry in (*document["findings"], *document["causes"]))
    return counted(many, "comment") if many else ""


def decided_counts(document: Mapping[str, Any]) -> str:
    """'2 agreed, 1 accepted': how many of the findings were decided; empty for none."""
    states = Counter(f["decision"]["state"] for f in document["findings"] if f.get("decision"))
    return ", ".join(f"{states[state]} {state}" for state in DECISION_STATES if states[state])


_KEY_UNITS = (  # suffix of an evidence key -> unit as figure() takes it, factor
    ("_mm2", "mm2", 1.0),
    ("_mm", "mm", 1.0),
    ("_um", "mm", 1e-3),
    ("_mhz", "Hz", 1e6),
    ("_ghz", "Hz", 1e9),
    ("_hz", "Hz", 1.0),
    ("_ohm", "ohm", 1.0),
    ("_mv", "V", 1e-3),
    ("_v", "V", 1.0),
    ("_nh", "H", 1e-9),
    ("_h", "H", 1.0),
    ("_pf", "F", 1e-12),
    ("_nf", "F", 1e-9),
    ("_ff", "fF", 1.0),
    ("_f", "F", 1.0),
    ("_ps", "s", 1e-12),
    ("_ns", "s", 1e-9),
    ("_s", "s", 1.0),
    ("_ma", "A", 1e-3),
    ("_a", "A", 1.0),
    ("_db", "dB", 1.0),
    ("_percent", "%", 1.0),
)
_PLAIN_NAMES = {"er": "εr", "rise": "edge, 10 to 90 %", "past_the_board": "capacitance past the board"}


def scalar(key: str, value: Any) -> tuple[str, str]:
    """(name, figure) of one evidence entry: ('slot', '23.1 mm') for slot_mm = 23.1."""
    name, text = key, ""
    if isinstance(value, bool):
        text = "yes" if value else "no"
    elif isinstance(value, str):
        text = value
        name = next((key.removesuffix(s) for s, _, _ in _KEY_UNITS if key.endswith(s) and key != s), key)
    elif value is None:
        text = "not known"
    else:
        text = number(value)
        for suffix, unit, factor in _KEY_UNITS:
            if key.endswith(suffix) and key != suffix:
                name, text = key.removesuffix(suffix), figure(value * factor, unit)
                break
    return _PLAIN_NAMES.get(name) or name.replace("_", " ").strip(), text
