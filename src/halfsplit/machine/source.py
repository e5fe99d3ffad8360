"""Machine files as values that remember their line, before anybody asks what they mean.

YAML is taken apart by PyYAML's C parser and put together here, so that every scalar stays the text that was
written: ``no`` stays "no" and ``12:30`` stays "12:30". Files from strangers are bounded in size, depth and
count, and anchors, aliases and tags are refused; none of them is needed to describe a machine.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import yaml

from halfsplit.errors import Problem
from halfsplit.machine.model import Place

#: Limits against hostile files; ours, far above the largest machine tried (500 wires are 60 kB).
MAX_BYTES = 4_000_000
MAX_DEPTH = 24
MAX_VALUES = 400_000


@dataclass(frozen=True, slots=True)
class Text:
    """A scalar exactly as written; nothing written at all (``key:``) is the empty text."""

    text: str
    place: Place


@dataclass(frozen=True, slots=True)
class Items:
    """A list."""

    items: list[Text | Items | Entries]
    place: Place


@dataclass(frozen=True, slots=True)
class Entries:
    """A mapping; ``keys`` gives the place of each key."""

    values: dict[str, Text | Items | Entries]
    keys: dict[str, Place]
    place: Place


Written = Text | Items | Entries


@dataclass(slots=True)
class _Open:
    """A collection whose end has not been read yet; ``key`` waits for its value."""

    made: Items | Entries
    key: tuple[str, Place] | None = None
    skip: bool = False


@dataclass(slots=True)
class _Builder:
    file: str
    problems: list[Problem] = field(default_factory=list)
    stack: list[_Open] = field(default_factory=list)
    root: Written | None = None
    documents: int = 0

    def problem(self, code: str, line: int, what: str, suggestion: str | None = None) -> None:
        self.problems.append(Problem(code, self.file, line, what, suggestion))

    def put(self, value: Written) -> None:
        """Hang ``value`` on the collection that is open, as key or as value."""
        if not self.stack:
            if self.root is None:
                self.root = value
            return
        top = self.stack[-1]
        if isinstance(top.made, Items):
            top.made.items.append(value)
        elif top.key is None and not top.skip:
            self._put_key(top, value)
        else:
            if top.key is not None:
                name, place = top.key
                top.made.values[name] = value
                top.made.keys[name] = place
            top.key, top.skip = None, False

    def _put_key(self, top: _Open, value: Written) -> None:
        assert isinstance(top.made, Entries)
        if not isinstance(value, Text):
            self.problem(
                "key-not-a-word", value.place.line, "A list or a mapping stands where a key must be one word."
            )
            top.skip = True
        elif value.text in top.made.keys:
            first = top.made.keys[value.text].line
            self.problem(
                "duplicate-key",
                value.place.line,
                f'"{value.text}" stands here a second time, first in line {first}.',
            )
            top.skip = True
        else:
            top.key = (value.text, value.place)


def read_text(path: Path, problems: list[Problem]) -> str | None:
    """The text of ``path`` (UTF-8, with or without a byte order mark), or None with the problem added."""
    name = str(path)
    try:
        with path.open("rb") as stream:
            raw = stream.read(MAX_BYTES + 1)
    except FileNotFoundError:
        problems.append(Problem("file-missing", name, None, f"There is no file {path.name} here."))
        return None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "the name cannot be used"
        problems.append(Problem("file-unreadable", name, None, f"The file cannot be read: {reason}."))
        return None
    if len(raw) > MAX_BYTES:
        problems.append(Problem("file-too-large", name, None, f"The file is larger than {MAX_BYTES} bytes."))
        return None
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        problems.append(Problem("not-utf-8", name, line, "The file is not UTF-8 text; save it as UTF-8."))
        return None


def read_yaml(path: Path, problems: list[Problem]) -> Written | None:
    """The value in the YAML file ``path``, or None; what is wrong with its form goes to ``problems``."""
    text = read_text(path, problems)
    return None if text is None else parse_yaml(text, str(path), problems)


def parse_yaml(text: str, file: str, problems: list[Problem]) -> Written | None:
    """As read_yaml, for text already at hand; ``file`` is the name used in places."""
    builder = _Builder(file)
    before = len(problems)
    try:
        ended = _build(builder, _events(text))
    except yaml.YAMLError as error:
        builder.problems.append(_syntax_problem(error, text, file))
        ended = False
    problems.extend(builder.problems)
    if not ended:
        return None
    if builder.root is None and len(problems) == before:
        problems.append(Problem("file-empty", file, 1, "The file is empty."))
    return builder.root


def _events(text: str) -> Iterator[yaml.Event]:
    yield from yaml.parse(text, Loader=yaml.CSafeLoader)


def _build(builder: _Builder, events: Iterator[yaml.Event]) -> bool:
    """Feed all events to ``builder``; False when reading had to stop half-way."""
    file = builder.file
    for count, event in enumerate(events, start=1):
        line = event.start_mark.line + 1 if event.start_mark else 1
        if count > MAX_VALUES:
            builder.problem("file-too-large", line, f"The file holds more than {MAX_VALUES} values.")
            return False
        if isinstance(event, yaml.AliasEvent) or getattr(event, "anchor", None):
            builder.problem(
                "alias", line, "Anchors (&) and aliases (*) are not used in machine files; write it out."
            )
            return False
        if isinstance(event, yaml.DocumentStartEvent):
            builder.documents += 1
            if builder.documents > 1:
                builder.problem(
                    "second-document", line, "A second document starts here (a line of three dashes)."
                )
                return False
        if getattr(event, "tag", None):
            builder.problem(
                "tag", line, f'The tag "{getattr(event, "tag", "")}" is not used in machine files.'
            )
            return False
        place = Place(file, line)
        if isinstance(event, yaml.ScalarEvent):
            plain_nothing = event.implicit[0] and event.value in ("~", "null")
            builder.put(Text("" if plain_nothing else event.value, place))
        elif isinstance(event, yaml.MappingStartEvent | yaml.SequenceStartEvent):
            if len(builder.stack) >= MAX_DEPTH:
                builder.problem("too-deep", line, f"More than {MAX_DEPTH} levels lie inside each other.")
                return False
            mapping = isinstance(event, yaml.MappingStartEvent)
            builder.stack.append(_Open(Entries({}, {}, place) if mapping else Items([], place)))
        elif isinstance(event, yaml.MappingEndEvent | yaml.SequenceEndEvent):
            builder.put(builder.stack.pop().made)
    return True


def _syntax_problem(error: yaml.YAMLError, text: str, file: str) -> Problem:
    """The parser's complaint, with a tab named as such because its own wording does not help."""
    mark = getattr(error, "problem_mark", None)
    if mark is None:
        position = getattr(error, "position", None)
        line = text.count("\n", 0, position) + 1 if isinstance(position, int) else None
        return Problem("character", file, line, "A control character stands here that text must not hold.")
    line = min(mark.line + 1, text.count("\n") + 1)
    lines = text.split("\n")
    for number in (line, line - 1):
        written = lines[number - 1] if 0 < number <= len(lines) else ""
        indent = written[: len(written) - len(written.lstrip())]
        if "\t" in indent:
            return Problem("tab", file, number, "The line is indented with a tab; use spaces.")
    said = getattr(error, "problem", None) or "it cannot be read"
    if said.startswith("exceeded maximum nesting"):  # libyaml's own limit, met before an event comes out
        return Problem("too-deep", file, line, f"More than {MAX_DEPTH} levels lie inside each other.")
    context = getattr(error, "context", None)
    more = f" {context}" if context else ""
    return Problem("yaml-syntax", file, line, f"This is not YAML: {said}{more}.")
