"""One line of JSON as stores and files keep it: canonical when written, and never trusted when read."""

from __future__ import annotations

import json
import re
from collections.abc import Collection, Mapping
from typing import Any

from halfsplit.errors import UserError

#: Codes of UserErrors raised here, each with one sentence.
CODES: dict[str, str] = {
    "event-json": "A stored event is not the JSON object it should be.",
    "event-shape": "A field of an event is missing, unknown or of the wrong type.",
    "event-text": "A text holds a character that no store can keep.",
    "event-too-large": "An event is longer than a job may keep in one piece.",
}

#: An event longer than this as JSON is refused: a mistyped paste, not a note. Invented limit.
LARGEST_EVENT_BYTES = 256 * 1024

#: The character itself, or its escape with an even number of backslashes before it; after an odd number the
#: person wrote a backslash and the letters u0000, which is harmless.
_CODE_ZERO = re.compile(r"\x00|(?<!\\)(?:\\\\)*\\u0000")


def written(record: Mapping[str, Any]) -> str:
    """The one way in which a record is written. Raises UserError for texts that no store could keep."""
    text = json.dumps(record, ensure_ascii=False, allow_nan=False, sort_keys=True, separators=(",", ":"))
    check_text(text)
    return text


def read(text: str, names: Collection[str], may: Collection[str] = ()) -> dict[str, Any]:
    """The record of a line, an object with just these fields and perhaps those in ``may``. Raises UserError."""
    check_text(text)
    try:
        record = json.loads(text, object_pairs_hook=_no_repeats, parse_constant=_no_constant)
    except (ValueError, RecursionError) as error:
        raise UserError("event-json", f"This is not an event: {error}.") from None
    if "\\u" in text:  # what was written as an escape must be a character that may be kept, too
        check_text(json.dumps(record, ensure_ascii=False))
    if not isinstance(record, dict):
        raise UserError("event-json", "An event is a JSON object.")
    if set(record) - set(may) != set(names):
        odd = ", ".join(sorted((set(record) - set(may)) ^ set(names)))
        raise UserError("event-shape", f"An event has the fields {', '.join(sorted(names))}; look at {odd}.")
    return record


def shown(value: object) -> str:
    """A value short enough for a message."""
    text = repr(value)
    return text if len(text) <= 40 else text[:37] + "..."


def check_text(text: str) -> None:
    """Refuses JSON that no store or file could keep; it must hold strings as themselves, not as escapes."""
    try:
        size = len(text.encode("utf-8"))
    except UnicodeEncodeError:
        raise UserError("event-text", "A text holds half a character (an unpaired surrogate).") from None
    if _CODE_ZERO.search(text):
        # PostgreSQL keeps no such character in text.
        raise UserError("event-text", "A text holds the character with code 0.")
    if size > LARGEST_EVENT_BYTES:
        raise UserError(
            "event-too-large",
            f"An entry of {size} bytes is more than the {LARGEST_EVENT_BYTES} a job keeps in one.",
        )


def _no_repeats(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    built = dict(pairs)
    if len(built) != len(pairs):
        raise ValueError("a name stands twice in one object")
    return built


def _no_constant(word: str) -> float:
    raise ValueError(f"{word} is not a JSON number")
