"""Words in letters that can be read from two metres: five lines high, made of blocks."""

from __future__ import annotations

HIGH = 5
#: Each letter as five rows from the top, five columns wide, a bit each from the left: 16 8 4 2 1. Drawn for this use.
_ROWS: dict[str, tuple[int, int, int, int, int]] = {
    "A": (14, 17, 31, 17, 17), "B": (30, 17, 30, 17, 30), "C": (15, 16, 16, 16, 15), "D": (30, 17, 17, 17, 30),
    "E": (31, 16, 30, 16, 31), "F": (31, 16, 30, 16, 16), "G": (15, 16, 19, 17, 15), "H": (17, 17, 31, 17, 17),
    "I": (14, 4, 4, 4, 14), "J": (1, 1, 1, 17, 14), "K": (17, 18, 28, 18, 17), "L": (16, 16, 16, 16, 31),
    "M": (17, 27, 21, 17, 17), "N": (17, 25, 21, 19, 17), "O": (14, 17, 17, 17, 14), "P": (30, 17, 30, 16, 16),
    "Q": (14, 17, 21, 18, 13), "R": (30, 17, 30, 18, 17), "S": (15, 16, 14, 1, 30), "T": (31, 4, 4, 4, 4),
    "U": (17, 17, 17, 17, 14), "V": (17, 17, 17, 10, 4), "W": (17, 17, 21, 27, 17), "X": (17, 10, 4, 10, 17),
    "Y": (17, 10, 4, 4, 4), "Z": (31, 2, 4, 8, 31), "0": (14, 19, 21, 25, 14), "1": (4, 12, 4, 4, 14),
    "2": (30, 1, 14, 16, 31), "3": (30, 1, 14, 1, 30), "4": (18, 18, 31, 2, 2), "5": (31, 16, 30, 1, 30),
    "6": (14, 16, 30, 17, 14), "7": (31, 1, 2, 4, 4), "8": (14, 17, 14, 17, 14), "9": (14, 17, 15, 1, 14),
    " ": (0, 0, 0, 0, 0), "-": (0, 0, 14, 0, 0), ".": (0, 0, 0, 0, 4), "+": (0, 4, 14, 4, 0), ":": (0, 4, 0, 4, 0),
    "/": (1, 2, 4, 8, 16), "!": (4, 4, 4, 0, 4), "@": (14, 17, 23, 16, 14),
}  # fmt: skip
_WIDE = 5
_BETWEEN = " "


def width_of(text: str) -> int:
    """Columns that ``text`` takes."""
    return max(0, len(text) * (_WIDE + len(_BETWEEN)) - len(_BETWEEN))


def big(text: str, mark: str = "█") -> tuple[str, ...]:
    """``text`` as five lines of equal width; a letter there is no drawing of is left blank."""
    drawings = [_ROWS.get(letter, _ROWS[" "]) for letter in text.upper()]
    return tuple(
        _BETWEEN.join(
            "".join(mark if drawing[row] >> (_WIDE - 1 - column) & 1 else " " for column in range(_WIDE))
            for drawing in drawings
        )
        for row in range(HIGH)
    )


def fitting(words: list[str], columns: int) -> str:
    """As many of ``words`` as fit into ``columns``, at least a part of the first."""
    text = ""
    for word in words:
        longer = f"{text} {word}".strip()
        if width_of(longer) > columns:
            break
        text = longer
    most = (columns + len(_BETWEEN)) // (_WIDE + len(_BETWEEN))
    return text or (words[0][:most] if words else "")
