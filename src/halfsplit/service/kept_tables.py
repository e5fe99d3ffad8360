"""State tables kept between runs, as files in the user's cache folder.

A file is named by what its table was made from: the key the table comes with (machine, effects, state) and this
program (its own source text, the versions of numpy and scipy). Another version therefore never finds it. One file::

    halfsplit table 2               the form of the file
    9f2c00d1                        CRC-32 (ISO 3309, as in gzip) of all that follows
    {"name": ..., "arrays": ...}    one line of JSON: the name, and type and shape of each array
    ...                             the arrays one after the other, in C order, each beginning at a multiple of 16

What of a table only voltage readings ask for (``faults.parted``) stands beside it in a file of the same form.

A file that is half-written, damaged or of another name is as good as none. Files appear whole, because they are
written beside and then moved into place; whoever moves last wins, and both have written the same.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import json
import math
import os
import tempfile
import zlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import scipy
from numpy.typing import NDArray

from halfsplit.faults.parted import KeptParted
from halfsplit.faults.signatures import Kept, TableStore
from halfsplit.settings import cache_dir

MAGIC = b"halfsplit table 2\n"
Whole = TypeVar("Whole", Kept, KeptParted)
#: What the arrays are on every computer: little-endian numbers and bytes that are 0 or 1.
TYPES: Mapping[str, str] = {
    "volts": "<f4", "levels": "<f4", "codes": "|b1", "chatters": "|b1", "blown": "|b1", "spread_v": "<f8",
    "resting": "|b1", "start_v": "<f8",
}  # fmt: skip
#: The same of the rows that part a battery or a body.
PARTED_TYPES: Mapping[str, str] = {
    "known": "|b1", "deviation": "<f8", "place": "<i8", "sees": "<f8", "columns": "<f8",
    "in_plus": "<i8", "in_minus": "<i8", "out_plus": "<i8", "out_minus": "<i8", "alpha": "<f8", "beta": "<f8",
    "gamma": "<f8", "element": "<i8", "used": "|b1", "rows": "<i8",
}  # fmt: skip
ALIGNED = 16
SUFFIX = ".table"
#: The rows of a table that part a battery or a body, which only readings ask for.
PARTED_SUFFIX = ".parted"
UNFINISHED = ".part"
#: The odds of jobs as they stood, kept beside the tables and let go like them.
NOTES_SUFFIX = ".odds"
#: The folder holds at most this many bytes; common practice, no source. A table of the largest shipped machine
#: takes about 75 MB, and a job looks into two or three states.
MOST_BYTES = 1_000_000_000
#: The parts of the program that numbers in a table come from.
MAKERS = ("quantities.py", "machine", "circuit", "faults")


class FolderTables(TableStore):
    """Tables in the files of one folder, which is made when first needed and may be lost at any time.

    Nothing here raises for the sake of a file: what cannot be read is made again, what cannot be written is let
    go. ``most_bytes`` bounds the folder; the tables longest not used go first.
    """

    def __init__(self, folder: Path, most_bytes: int = MOST_BYTES, version: str | None = None) -> None:
        self.folder = folder
        self.most_bytes = most_bytes
        self.version = program_version() if version is None else version

    def path(self, key: str) -> Path:
        """Where the table of a key is kept by this version."""
        return self.folder / f"{hashlib.sha256(f'{self.version} {key}'.encode()).hexdigest()[:40]}{SUFFIX}"

    def get(self, key: str) -> Kept | None:
        """The table kept under ``key``, None when there is none that is whole."""
        return self._read(self.path(key), Kept)

    def get_parted(self, key: str) -> KeptParted | None:
        """The rows of that table that part a battery or a body, None when there are none that are whole."""
        return self._read(self.path(key).with_suffix(PARTED_SUFFIX), KeptParted)

    def _read(self, path: Path, kind: type[Whole]) -> Whole | None:
        try:
            with path.open("rb") as file:
                content = file.read()
        except OSError:
            return None
        kept = unpacked(content, path.stem, kind)
        if kept is not None:
            with contextlib.suppress(OSError):
                os.utime(path)
        return kept

    def put(self, key: str, kept: Kept) -> None:
        """Keeps a table; one that cannot be written, or is too large for the folder, is let go."""
        self._write(self.path(key), kept)

    def put_parted(self, key: str, kept: KeptParted) -> None:
        """Keeps the rows of that table that part a battery or a body, as a table is kept."""
        self._write(self.path(key).with_suffix(PARTED_SUFFIX), kept)

    def _write(self, path: Path, kept: Kept | KeptParted) -> None:
        pieces = packed(kept, path.stem)
        if sum(len(piece) for piece in pieces) > self.most_bytes:
            return
        with contextlib.suppress(OSError):
            self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            handle, beside = tempfile.mkstemp(suffix=UNFINISHED, dir=self.folder)
            try:
                with os.fdopen(handle, "wb") as file:
                    file.writelines(pieces)
                Path(beside).replace(path)
            except BaseException:
                Path(beside).unlink(missing_ok=True)
                raise
        with contextlib.suppress(OSError):
            self._make_room(path)

    def _make_room(self, newest: Path) -> None:
        """Removes the files longest not used, left-overs of killed writers included, until the rest fit."""
        found = []
        for path in self.folder.iterdir():
            if path.suffix in (SUFFIX, PARTED_SUFFIX, UNFINISHED, NOTES_SUFFIX):
                with contextlib.suppress(OSError):  # somebody else may be making room too
                    about = path.stat()
                    found.append((about.st_mtime_ns, about.st_size, path))
        total = sum(size for _, size, _ in found)
        for _, size, path in sorted(found):
            if total <= self.most_bytes:
                return
            if path != newest:
                with contextlib.suppress(OSError):
                    path.unlink()
                    total -= size


def tables(environ: Mapping[str, str] | None = None) -> TableStore | None:
    """The user's own kept tables; None when the person switched them off."""
    folder = cache_dir(environ)
    return None if folder is None else FolderTables(folder)


def _types(kind: type[Kept | KeptParted]) -> Mapping[str, str]:
    return PARTED_TYPES if kind is KeptParted else TYPES


def packed(kept: Kept | KeptParted, name: str) -> list[bytes | memoryview]:
    """A table as the pieces of its file."""
    types = _types(type(kept))
    arrays = {
        each: np.ascontiguousarray(getattr(kept, each), dtype=type_) for each, type_ in types.items()
    }
    about = {"name": name, "arrays": {each: [types[each], list(array.shape)] for each, array in arrays.items()}}
    line = json.dumps(about).encode("ascii")
    pieces: list[bytes | memoryview] = [line, b" " * (-(len(MAGIC) + 9 + len(line) + 1) % ALIGNED), b"\n"]
    for array in arrays.values():
        pieces += [array.reshape(-1).view(np.uint8).data, bytes(-array.nbytes % ALIGNED)]
    check = 0
    for piece in pieces:
        check = zlib.crc32(piece, check)
    return [MAGIC, b"%08x\n" % check, *pieces]


def unpacked(content: bytes, name: str, kind: type[Whole]) -> Whole | None:
    """The table in a file's content, its arrays read-only; None when the content is not that table whole."""
    start = len(MAGIC) + 9
    line_end = content.find(b"\n", start)
    if not content.startswith(MAGIC) or line_end < 0:
        return None
    if content[len(MAGIC) : start] != b"%08x\n" % zlib.crc32(memoryview(content)[start:]):
        return None
    arrays: dict[str, NDArray[Any]] = {}
    at = line_end + 1
    try:  # the sum is right; what stands there may still be something else's
        about = json.loads(content[start:line_end])
        if about["name"] != name:
            return None
        for each, type_ in _types(kind).items():
            written_type, shape = about["arrays"][each]
            if written_type != type_:
                return None
            array = np.frombuffer(content, dtype=type_, count=math.prod(shape), offset=at).reshape(shape)
            arrays[each] = array
            at += array.nbytes + -array.nbytes % ALIGNED
    except (ValueError, KeyError, TypeError):
        return None
    return kind(**arrays) if at == len(content) else None


@functools.cache
def program_version(makers: tuple[str, ...] = MAKERS) -> str:
    """A text that is another one when these parts of the program are; SHA-256 of their source text."""
    home = Path(__file__).resolve().parent.parent
    digest = hashlib.sha256(f"numpy {np.__version__} scipy {scipy.__version__}\n".encode())
    for maker in makers:
        place = home / maker
        files = [place] if place.is_file() else sorted(place.iterdir())
        for file in files:
            if file.suffix in (".py", ".csv"):
                digest.update(f"{file.relative_to(home).as_posix()} {file.stat().st_size}\n".encode())
                digest.update(file.read_bytes())
    return digest.hexdigest()
