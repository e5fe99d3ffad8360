"""The small language of controller conditions: names joined by ``and``, ``or``, ``not`` and parentheses.

``not`` binds closest, then ``and``, then ``or``. Names are ``in.PIN``, ``msg.NAME``, ``heard.PART``,
``open.OUT``, ``trip.OUT``, ``above.PIN``, ``below.PIN`` and ``alive``. The result is nested tuples: ("var",
name), ("not", a), ("and", a, b), ("or", a, b).
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from halfsplit.errors import UserError

#: What stands before the dot in a name, and what the name is of.
PREFIXES = {
    "in": "input pin that reads high",
    "msg": "message received and true",
    "heard": "controller whose messages arrive",
    "open": "output switched on that carries no current",
    "trip": "output switched off by its current limit",
    "above": "analogue input above its range",
    "below": "analogue input below its range",
}
MAX_LENGTH = 2_000
MAX_DEPTH = 40

_TOKEN = re.compile(r"\s*(?:([()])|([A-Za-z0-9_.+\-/#]+))")

Expression = tuple[str, str] | tuple[str, "Expression"] | tuple[str, "Expression", "Expression"]


class ConditionError(UserError):
    """A condition that cannot be read; ``column`` counts from 1 within the condition."""

    def __init__(self, message: str, column: int, hint: str = "") -> None:
        self.column = column
        super().__init__("condition-syntax", message, hint)


@dataclass(frozen=True, slots=True)
class Token:
    """A word or parenthesis and the column it starts at, from 1."""

    text: str
    column: int


def tokens(text: str) -> tuple[Token, ...]:
    """``text`` cut into words and parentheses. Raises ConditionError at a character that is neither."""
    if len(text) > MAX_LENGTH:
        raise ConditionError(f"The condition is longer than {MAX_LENGTH} characters.", MAX_LENGTH)
    found, at = [], 0
    end = len(text.rstrip())
    while at < end:
        match = _TOKEN.match(text, at)
        if match is None:
            start = at + len(text[at:]) - len(text[at:].lstrip())
            raise ConditionError(
                f'"{text[start]}" in column {start + 1} has no meaning here.', start + 1,
                "Join names with and, or, not and parentheses.",
            )  # fmt: skip
        found.append(
            Token(match.group(1) or match.group(2), match.end() - len(match.group(1) or match.group(2)) + 1)
        )
        at = match.end()
    return tuple(found)


class _Parser:
    """Recursive descent over the tokens; depth is bounded so that a hostile file cannot exhaust the stack."""

    def __init__(self, text: str) -> None:
        self.tokens = tokens(text)
        self.at = 0
        self.end = len(text.rstrip()) + 1
        self.depth = 0

    def next_text(self) -> str | None:
        return self.tokens[self.at].text if self.at < len(self.tokens) else None

    def column(self) -> int:
        return self.tokens[self.at].column if self.at < len(self.tokens) else self.end

    def either(self) -> Expression:
        left = self.both()
        while self.next_text() == "or":
            self.at += 1
            left = ("or", left, self.both())
        return left

    def both(self) -> Expression:
        left = self.single()
        while self.next_text() == "and":
            self.at += 1
            left = ("and", left, self.single())
        return left

    def single(self) -> Expression:
        text, column = self.next_text(), self.column()
        if text is None:
            raise ConditionError("The condition ends where a name is expected.", column)
        self.depth += 1
        if self.depth > MAX_DEPTH:
            raise ConditionError(f"More than {MAX_DEPTH} parentheses or nots lie inside each other.", column)
        self.at += 1
        if text == "not":
            made: Expression = ("not", self.single())
        elif text == "(":
            made = self.either()
            if self.next_text() != ")":
                raise ConditionError(f"The parenthesis of column {column} is not closed.", self.column())
            self.at += 1
        elif text in ("and", "or", ")"):
            raise ConditionError(f'A name is expected in column {column}, not "{text}".', column)
        else:
            made = ("var", text)
        self.depth -= 1
        return made


def parse(text: str) -> Expression:
    """``text`` as an expression. Raises ConditionError with the column of the slip."""
    parser = _Parser(text)
    if not parser.tokens:
        raise ConditionError("The condition is empty.", 1, 'Write "alive" for always.')
    made = parser.either()
    if parser.next_text() is not None:
        raise ConditionError(
            f'"and" or "or" is missing before "{parser.next_text()}" in column {parser.column()}.',
            parser.column(),
        )
    return made


def names(expression: Expression) -> tuple[str, ...]:
    """Every name in ``expression``, each once, in the order of writing."""
    found: dict[str, None] = {}
    waiting: list[Expression] = [expression]
    while waiting:
        item = waiting.pop()
        if item[0] == "var":
            found[str(item[1])] = None
        else:
            waiting.extend(reversed([part for part in item[1:] if isinstance(part, tuple)]))
    return tuple(found)
