"""A language's catalogue: English sentences as the program makes them, with places to be filled, and their translation.

A row is found by the sentence itself, so the parts of the program that make sentences know nothing of languages. In
the English of a row a place in braces says by its kind what may stand there:

    {name}        anything that closes its brackets, carried over as it is: a part's name, a number
    {name:text}   anything at all: somebody's own words
    {name:name}   anything without commas and semicolons
    {name:id}     the same without blanks either; {name:reading} a number with its unit, or OL
    {name:known}  words that have a row themselves, and are put into the other language by it
    {name:word}   one such word, without blanks
    {name:words}  such words, or anything
    {name:list}   several of them, with ", " between; {name:lines} with "; ", {name:and} with " and "

The translation names the same places without their kind. Of two rows that fit, that with more letters of its own
counts, and of two alike in this that in which less may stand. What has no row stays English.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

PLACE = re.compile(r"\{(\w+)(?::(\w+))?\}")
#: What joins the words of a place, by its kind; not inside brackets, where a name may have the same.
JOINTS = {"list": ", ", "lines": "; ", "and": " and "}
#: What may stand in a place, by its kind; elsewhere anything that closes its brackets.
SHAPES = {
    "text": r".+?", "name": r"[^,;]+?", "id": r"[^\s,;()]+", "word": r"[^\s,;()]+", "reading": r"OL|-?[\d.]+ \w+",
}  # fmt: skip
CLOSED = r"(?:\([^()]*\)|[^()])+?"
#: What is carried over as it is.
CARRIED = ("", "text", "name", "id", "reading")
KINDS = ("", *SHAPES, "known", "words", *JOINTS)
#: Sentences kept with their translation: those of a few jobs. No source.
KEPT = 20_000


@dataclass(frozen=True, slots=True)
class Row:
    """One sentence with its translation, and the kinds of its places."""

    english: str
    other: str
    kinds: dict[str, str]
    pieces: tuple[str, ...]
    pattern: re.Pattern[str]

    @property
    def letters(self) -> int:
        """How much of the sentence is its own."""
        return sum(len(piece) for piece in self.pieces)

    @property
    def loose(self) -> int:
        """In how many of its places anything may stand."""
        return sum(kind in ("", "text", "name", "words") for kind in self.kinds.values())


def rows_in(text: str) -> list[tuple[str, str]]:
    """English and translation of each row of a catalogue file: a CSV (RFC 4180) with a head line."""
    return [(row[0], row[1]) for row in list(csv.reader(io.StringIO(text, newline="")))[1:] if row and row[0]]


class Catalogue:
    """The sentences of one language."""

    def __init__(self, rows: Iterable[tuple[str, str]], joint_and: str = " y ") -> None:
        self._and = joint_and
        self._whole: dict[str, str] = {}
        self.rows: list[Row] = []
        for english, other in rows:
            if PLACE.search(english):
                self.rows.append(_row(english, other))
            else:
                self._whole[english] = other
        self.rows.sort(key=lambda one: (-one.letters, one.loose))
        # Rows that begin with letters are looked at only for sentences that begin with the same one.
        self._by_letter: dict[str, list[Row]] = {}
        for letter in {one.english[0] for one in self.rows} - {"{"}:
            self._by_letter[letter] = [one for one in self.rows if one.english[0] in (letter, "{")]
        self._others = [one for one in self.rows if one.english[0] == "{"]
        self.found = lru_cache(KEPT)(self._found)

    def of(self, text: str) -> str:
        """A sentence in this language, or the sentence itself."""
        found = self.found(text)
        return text if found is None else found

    def _found(self, text: str) -> str | None:
        """The translation; None when there is no row for it."""
        if text in self._whole:
            return self._whole[text]
        if not text:
            return None
        for row in self._by_letter.get(text[0], self._others):
            fits = row.pattern.fullmatch(text) if all(piece in text for piece in row.pieces) else None
            if fits is None:
                continue
            values = {name: self._value(row.kinds[name], said) for name, said in fits.groupdict().items()}
            if None not in values.values():
                return PLACE.sub(lambda place: str(values[place[1]]), row.other)  # noqa: B023 - used at once
        return None

    def _value(self, kind: str, said: str) -> str | None:
        if kind in CARRIED:
            return said
        if kind in ("known", "word", "words"):
            found = self.found(said)
            return said if found is None and kind == "words" else found
        joint = JOINTS[kind]
        pieces = re.split(rf"{re.escape(joint)}(?![^()]*\))", said)
        found_all = [self.found(one) or one for one in pieces]
        return (self._and if kind == "and" else joint).join(found_all)


def _row(english: str, other: str) -> Row:
    kinds: dict[str, str] = {}
    pattern, end = "", 0
    for place in PLACE.finditer(english):
        name, kind = place[1], place[2] or ""
        if kind not in KINDS:
            raise ValueError(f"{english!r} has a place of no kind: {kind}.")
        pattern += re.escape(english[end : place.start()])
        inner = SHAPES.get(kind, CLOSED)
        pattern += f"(?P={name})" if name in kinds else f"(?P<{name}>{inner})"
        kinds[name] = kind
        end = place.end()
    pieces = tuple(piece for piece in PLACE.split(english)[::3] if piece)
    if not pieces:
        raise ValueError(f"{english!r} has no words of its own.")
    return Row(english, other, kinds, pieces, re.compile(pattern + re.escape(english[end:]), re.DOTALL))
