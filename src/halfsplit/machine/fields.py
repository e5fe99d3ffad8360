"""Taking a mapping apart key by key, with every slip noted and nothing thrown.

A ``Report`` collects problems, references to be checked later and the places of things; ``Fields`` reads
one mapping and at the end complains about the keys nobody asked for.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from halfsplit.errors import InternalError, Problem, nearest
from halfsplit.machine.model import Place
from halfsplit.machine.points import IDENTIFIER
from halfsplit.machine.problems import CODES
from halfsplit.machine.source import Entries, Items, Text, Written
from halfsplit.quantities import QUANTITIES, QuantityError

YES = ("yes", "true", "on")
NO = ("no", "false", "off")
_WHOLE = re.compile(r"[0-9]{1,9}")


@dataclass(frozen=True, slots=True)
class Reference:
    """``owner`` names something of ``kind`` (zone, access step, part ...) that must exist."""

    kind: str
    name: str
    owner: str
    place: Place


@dataclass(slots=True)
class Report:
    """What was found while reading one machine."""

    problems: list[Problem] = field(default_factory=list)
    references: list[Reference] = field(default_factory=list)
    places: dict[tuple[str, ...], Place] = field(default_factory=dict)

    def add(
        self, code: str, place: Place | None, what: str, suggestion: str | None = None, key: str | None = None
    ) -> None:
        """Note one problem. Raises InternalError for a code that is not registered."""
        if code not in CODES:
            raise InternalError(f"The problem code {code} is not registered.")
        file, line = (place.file, place.line) if place else (None, None)
        self.problems.append(Problem(code, file, line, what, suggestion, key))

    def refer(self, kind: str, name: str, owner: str, place: Place) -> None:
        """Note that ``owner`` names ``name``; whether it exists is asked once all parts are sound."""
        self.references.append(Reference(kind, name, owner, place))


def near(word: str, candidates: Iterable[str]) -> str | None:
    """The nearest good spelling, also for ids of two or three letters, where ``nearest`` sees too little.

    One letter changed, added, left out or swapped with its neighbour counts as near when the candidate begins
    alike or is the only one so near.
    """
    known = sorted(set(candidates))
    close = nearest(word, known)
    if close is not None or not 2 <= len(word) <= 5:
        return close
    slips = [other for other in known if _one_slip(word.casefold(), other.casefold())]
    alike = [other for other in slips if other[:1].casefold() == word[:1].casefold()]
    return alike[0] if alike else slips[0] if len(slips) == 1 else None


def _one_slip(a: str, b: str) -> bool:
    """Whether one change, insertion, deletion or swap of neighbours turns ``a`` into ``b``."""
    if len(a) > len(b):
        a, b = b, a
    at = next((i for i in range(len(a)) if a[i] != b[i]), len(a))
    if len(a) < len(b):
        return a[at:] == b[at + 1 :]
    return a[at + 1 :] == b[at + 1 :] or (
        a[at : at + 2] == b[at : at + 2][::-1] and a[at + 2 :] == b[at + 2 :]
    )


def shape(value: Written) -> str:
    """What ``value`` is, for a message."""
    if isinstance(value, Text):
        return f'"{short(value.text)}"' if value.text else "nothing"
    return "a list" if isinstance(value, Items) else "a mapping"


def short(text: str) -> str:
    """``text`` cut and made printable for a message."""
    cut = text if len(text) <= 60 else text[:57] + "..."
    return "".join(c if c.isprintable() else "?" for c in cut)


def read_quantity(
    report: Report,
    written: Text,
    quantity: str,
    what: str,
    key: str,
    *,
    within: tuple[float | None, float | None] = (None, None),
) -> float | None:
    """What is ``written`` as ``quantity`` in SI, ``within`` these limits, or None with the problem noted.

    ``what`` begins the message, ``key`` is what the problem belongs to.
    """
    text, (low, high) = written.text, within
    kind = QUANTITIES[quantity]
    try:
        value = kind.parse(text)
        if quantity == "share" and value > 1:
            raise kind.error("quantity-range", f'"{short(text)}" is more than the whole.')
    except QuantityError as error:
        code, said, better = _quantity_problem(error, text, quantity, what)
        report.add(code, written.place, said, better, key)
        return None
    if (low is not None and value < low) or (high is not None and value > high):
        limits = [kind.format(limit) for limit in (low, high) if limit is not None]
        said = f"{what}: {short(text)} is not within {' to '.join(limits)}."
        report.add("out-of-range", written.place, said, key=key)
        return None
    return value


def _quantity_problem(
    error: QuantityError, text: str, quantity: str, what: str
) -> tuple[str, str, str | None]:
    """Code, message and suggestion for a value that is not the quantity."""
    like = f"Write it like {', '.join(error.accepted)}."
    if error.code == "quantity-no-unit":
        better = f"{text.strip()} {_usual_unit(quantity)}"
        return "unit-missing", f"{what}: {short(text)} has no unit. {like}", better
    if error.code == "quantity-unit":
        other = next((name for name in QUANTITIES if name != quantity and _parses(name, text)), None)
        if other and other != "share":
            got, needed = QUANTITIES[other].name, QUANTITIES[quantity].name
            return "wrong-quantity", f"{what}: {short(text)} is a {got}, a {needed} is needed. {like}", None
        return "unknown-unit", f"{what}: {error.message}", error.suggestion
    if error.code == "quantity-number":
        return "not-a-number", f"{what}: {error.message} {like}", error.suggestion
    code = "comma-ambiguous" if error.code == "quantity-ambiguous" else "out-of-range"
    return code, f"{what}: {error.message}", error.suggestion


def _usual_unit(quantity: str) -> str:
    return QUANTITIES[quantity].accepted[0].split(" ")[-1]


def _parses(quantity: str, text: str) -> bool:
    try:
        QUANTITIES[quantity].parse(text)
    except QuantityError:
        return False
    return True


def check_identifier(report: Report, name: str, place: Place, what: str) -> bool:
    """Whether ``name`` may serve as an id; notes bad-id otherwise."""
    if IDENTIFIER.fullmatch(name) and len(name) <= 60:
        return True
    better = re.sub(r"[^A-Za-z0-9_-]+", "-", name).strip("-_")[:60]
    suggestion = better if better and IDENTIFIER.fullmatch(better) else None
    report.add(
        "bad-id",
        place,
        f'{what} "{short(name)}": an id has letters, digits, - and _ only, at most 60.',
        suggestion,
    )
    return False


class Fields:
    """One mapping being read; ``what`` names it in messages ("part F5")."""

    def __init__(self, report: Report, written: Written | None, what: str, place: Place) -> None:
        self.report = report
        self.what = what
        self.place = written.place if written is not None else place
        self.asked: list[str] = []
        self.entries: Entries | None = None
        if isinstance(written, Entries):
            self.entries = written
        elif written is not None and not (isinstance(written, Text) and written.text == ""):
            report.add(
                "wrong-type", self.place, f"{what} must be a mapping (key: value), not {shape(written)}."
            )

    def raw(self, key: str) -> Written | None:
        """The value of ``key`` as written, or None."""
        if key not in self.asked:
            self.asked.append(key)
        return self.entries.values.get(key) if self.entries else None

    def has(self, key: str) -> bool:
        """Whether ``key`` is there with something in it."""
        value = self.raw(key)
        return value is not None and not (isinstance(value, Text) and value.text == "")

    def place_of(self, key: str) -> Place:
        """Where ``key`` stands, or the mapping itself."""
        return self.entries.keys.get(key, self.place) if self.entries else self.place

    def name(self, key: str) -> str:
        """``key`` with its owner, as messages begin."""
        return f"{self.what}, {key}"

    def missing(self, key: str, meaning: str) -> None:
        """Note that ``key`` is needed."""
        self.report.add("missing-key", self.place, f"{self.what} needs {key}: {meaning}.", key=key)

    def text(self, key: str, default: str = "") -> str:
        """A scalar as text."""
        value = self.raw(key)
        if value is None:
            return default
        if isinstance(value, Text):
            return value.text or default
        hint = " Put it in quotes." if isinstance(value, Entries) else ""
        self.report.add(
            "wrong-type",
            value.place,
            f"{self.name(key)} must be one text, not {shape(value)}.{hint}",
            key=key,
        )
        return default

    def choice(self, key: str, choices: Sequence[str], default: str, code: str = "unknown-word") -> str:
        """One word of ``choices``."""
        if not self.has(key):
            return default
        word = self.text(key, default)
        if word in choices:
            return word
        if isinstance(self.raw(key), Text):
            said = f'{self.name(key)} is one of {", ".join(choices)}, not "{short(word)}".'
            self.report.add(code, self.place_of(key), said, near(word, choices), key)
        return default

    def yes_no(self, key: str, default: bool) -> bool:
        """A value that is yes or no."""
        return self.choice(key, (*YES, *NO), "yes" if default else "no") in YES

    def quantity(
        self, key: str, quantity: str, default: float, low: float | None = None, high: float | None = None
    ) -> float:
        """A number with its unit, in SI; ``default`` when absent or wrong (wrong is noted)."""
        if not self.has(key):
            return default
        value = self.raw(key)
        if not isinstance(value, Text):
            self.text(key)
            return default
        found = read_quantity(self.report, value, quantity, self.name(key), key, within=(low, high))
        return default if found is None else found

    def whole(self, key: str, low: int, high: int, code: str) -> int | None:
        """A whole number within low..high, or None with the problem noted."""
        text = self.text(key)
        if not text:
            return None
        if not _WHOLE.fullmatch(text):
            self.report.add(
                "not-a-number",
                self.place_of(key),
                f'{self.name(key)}: "{short(text)}" is not a whole number.',
            )
            return None
        if not low <= int(text) <= high:
            said = f"{self.name(key)}: {text} is not within {low} to {high}."
            self.report.add(code, self.place_of(key), said, key=key)
            return None
        return int(text)

    def words(self, key: str) -> tuple[Text, ...]:
        """A list of words, or one word alone."""
        value = self.raw(key)
        if value is None or (isinstance(value, Text) and value.text == ""):
            return ()
        return words_in(self.report, value, self.name(key), key)

    def references(self, key: str, kind: str) -> tuple[str, ...]:
        """A list of ids of ``kind``, to be checked later."""
        found = self.words(key)
        for word in found:
            self.report.refer(kind, word.text, self.what, word.place)
        return tuple(dict.fromkeys(word.text for word in found))

    def mapping(self, key: str) -> list[tuple[str, Written, Place]]:
        """The entries under ``key`` as (name, value, place of the name)."""
        value = self.raw(key)
        if value is None or (isinstance(value, Text) and value.text == ""):
            return []
        if not isinstance(value, Entries):
            said = f"{self.name(key)} must be a mapping (name: ...), not {shape(value)}."
            self.report.add("wrong-type", value.place, said, key=key)
            return []
        return [(name, inner, value.keys[name]) for name, inner in value.values.items()]

    def block(self, key: str) -> Fields:
        """The mapping under ``key`` as Fields of its own."""
        return Fields(self.report, self.raw(key), self.name(key), self.place_of(key))

    def done(self, also: Iterable[str] = ()) -> None:
        """Note every key that nobody asked for; ``also`` holds good spellings that were not asked."""
        if self.entries is None:
            return
        known = [*self.asked, *also]
        for key, place in self.entries.keys.items():
            if key not in known:
                said = f'{self.what} has no "{short(key)}"; it may have {", ".join(known)}.'
                self.report.add("unknown-key", place, said, near(key, known), key)


def words_in(report: Report, value: Written, what: str, key: str | None = None) -> tuple[Text, ...]:
    """``value`` as a list of texts; one text alone counts as a list of one."""
    if isinstance(value, Text):
        return (value,)
    if isinstance(value, Entries):
        report.add("wrong-type", value.place, f"{what} must be a list, not a mapping.", key=key)
        return ()
    found = []
    for item in value.items:
        if isinstance(item, Text) and item.text:
            found.append(item)
        else:
            report.add(
                "wrong-type", item.place, f"{what} must be a list of words; it holds {shape(item)}.", key=key
            )
    return tuple(found)
