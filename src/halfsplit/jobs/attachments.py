"""Files that belong to a job: photos, logs, papers, each kept once by its content.

A file is named by the SHA-256 (FIPS 180-4) of what is in it, so the same photo attached to five jobs lies there
once and a damaged one is noticed. What a file is, its bytes say and never its name. Nothing in it is changed:
what a camera wrote into a photo (time, place) stays in it.

The content is kept before the job's entry that names it is written, so no entry ever names a file that was not
kept; a file that no entry names may be left behind when writing the entry fails, and does no harm.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import tempfile
import zlib
from abc import ABC, abstractmethod
from collections.abc import Iterator, Sequence
from pathlib import Path

from halfsplit.errors import InternalError, NotFound, UserError, nearest

#: Codes of UserErrors raised here, each with one sentence.
CODES: dict[str, str] = {
    "attachment-damaged": "A kept attachment is no longer what it was when it was attached.",
    "attachment-empty": "A file without any content is not attached.",
    "attachment-kind": "The content of a file is of no kind that may be attached.",
    "attachment-torn": "A picture is not whole: cut short or damaged on the way.",
    "attachment-too-large": "A file is larger than an attachment may be.",
    "attachment-shelf": "The folder of attachments cannot be read or written.",
}

#: What may be attached: its word here and its media type (IANA registry; the two logs have none there).
KINDS: dict[str, str] = {
    "jpeg": "image/jpeg",
    "png": "image/png",
    "webp": "image/webp",
    "heic": "image/heic",
    "mp4": "video/mp4",
    "m4a": "audio/mp4",
    "mp3": "audio/mpeg",
    "ogg": "audio/ogg",
    "wav": "audio/wav",
    "webm": "audio/webm",
    "pdf": "application/pdf",
    "text": "text/plain",
    "blf": "application/octet-stream",
    "mf4": "application/octet-stream",
}
#: Kinds that a report shows as pictures.
SHOWN = ("jpeg", "png")

_SHA256 = re.compile(r"[0-9a-f]{64}")
_CONTROL = re.compile(rb"[\x00-\x08\x0e-\x1a\x1c-\x1f]")


def sha256_of(content: bytes) -> str:
    """The name of a content."""
    return hashlib.sha256(content).hexdigest()


def kind_of(content: bytes, allowed: Sequence[str] = tuple(KINDS), name: str = "the file") -> str:
    """What a content is, one of ``KINDS``, told from its bytes.

    ``name`` is only for the message. Raises UserError with "attachment-empty", "attachment-kind" or
    "attachment-torn".
    """
    if not content:
        raise UserError("attachment-empty", f"{name} is empty.")
    found = _sniffed(content)
    if found is None or found not in allowed:
        what = "is of no kind halfsplit knows" if found is None else f"is of the kind {found}, which is not taken here"
        hint = f"Attach one of: {', '.join(allowed)}; the content counts, not the name."
        raise UserError("attachment-kind", f"{name} {what}.", hint)
    whole = {"jpeg": _whole_jpeg, "png": _whole_png}.get(found)
    if whole is not None and not whole(content):
        raise UserError(
            "attachment-torn", f"{name} is a {found} picture that is not whole.", "Copy it from the camera again."
        )
    return found


def _sniffed(content: bytes) -> str | None:
    """The kind by the signature that each format's own specification gives."""
    for start, kind in ((b"\xff\xd8\xff", "jpeg"), (b"\x89PNG\r\n\x1a\n", "png"), (b"%PDF-", "pdf"),
                        (b"LOGG", "blf"), (b"MDF     ", "mf4"), (b"OggS", "ogg"), (b"ID3", "mp3"),
                        (b"\xff\xfb", "mp3")):  # fmt: skip
        if content.startswith(start):
            return kind
    if content[:4] == b"RIFF" and content[8:12] == b"WEBP":
        return "webp"
    if content[:4] == b"RIFF" and content[8:12] == b"WAVE":
        return "wav"
    if content.startswith(b"\x1aE\xdf\xa3") and b"webm" in content[:64]:  # EBML, RFC 8794, of the type webm
        return "webm"
    if content[4:8] == b"ftyp":
        brand = content[8:12]
        if brand in (b"heic", b"heix", b"mif1", b"heim"):
            return "heic"
        if brand in (b"M4A ", b"M4B "):
            return "m4a"
        return "mp4" if brand in (b"isom", b"iso2", b"mp41", b"mp42", b"avc1", b"M4V ") else None
    if _CONTROL.search(content):
        return None
    try:
        content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return None
    return "text"


def _whole_png(content: bytes) -> bool:
    """Every chunk is there with its right sum, up to IEND (ISO/IEC 15948)."""
    at, seen_data = 8, False
    while at + 12 <= len(content):
        size = int.from_bytes(content[at : at + 4], "big")
        kind = content[at + 4 : at + 8]
        end = at + 12 + size
        if end > len(content):
            return False
        if zlib.crc32(content[at + 4 : end - 4]) != int.from_bytes(content[end - 4 : end], "big"):
            return False
        seen_data |= kind == b"IDAT"
        if kind == b"IEND":
            return seen_data
        at = end
    return False


def _whole_jpeg(content: bytes) -> bool:
    """The segments follow one another, a scan is there, and an end of image comes after it (ITU-T T.81)."""
    at = 2
    while at + 4 <= len(content):
        if content[at] != 0xFF:
            return False
        marker = content[at + 1]
        if marker == 0xFF:  # fill byte
            at += 1
            continue
        size = int.from_bytes(content[at + 2 : at + 4], "big")
        if marker == 0xDA:  # start of scan: what follows is coded data up to the end of image
            return content.rfind(b"\xff\xd9") > at + 2 + size
        if size < 2:
            return False
        at += 2 + size
    return False


class Shelf(ABC):
    """Keeps contents by their SHA-256. When ``put`` returns, the content is kept for good.

    Any number of threads and processes may use one folder at once.
    """

    @abstractmethod
    def put(self, content: bytes) -> str:
        """Keeps a content and gives its name; doing it again changes nothing. Raises UserError."""

    @abstractmethod
    def get(self, sha256: str) -> bytes:
        """The content of that name. Raises NotFound, or UserError("attachment-damaged")."""

    @abstractmethod
    def has(self, sha256: str) -> bool:
        """Whether a content of that name is here."""


class MemoryShelf(Shelf):
    """Lives and dies with the process."""

    def __init__(self) -> None:
        self._contents: dict[str, bytes] = {}

    def put(self, content: bytes) -> str:
        """Keeps a content; see Shelf."""
        name = sha256_of(content)
        self._contents[name] = bytes(content)
        return name

    def get(self, sha256: str) -> bytes:
        """Gives a content; see Shelf."""
        if sha256 not in self._contents:
            raise NotFound("attachment", sha256)
        return self._contents[sha256]

    def has(self, sha256: str) -> bool:
        """Whether it is here; see Shelf."""
        return sha256 in self._contents


class FolderShelf(Shelf):
    """Contents as files of a folder, which is made when first needed: ``ab/abcd...``, by the name's first two."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def put(self, content: bytes) -> str:
        """Keeps a content; see Shelf. It is written beside its place and moved there whole."""
        name = sha256_of(content)
        place = self._place(name)
        with self._spoken():
            if place.is_file() and place.stat().st_size == len(content) and sha256_of(place.read_bytes()) == name:
                return name
            place.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            handle, unfinished = tempfile.mkstemp(prefix=".unfinished-", dir=place.parent)
            try:
                with os.fdopen(handle, "wb") as out:
                    out.write(content)
                    out.flush()
                    os.fsync(out.fileno())
                Path(unfinished).replace(place)
            except BaseException:
                Path(unfinished).unlink(missing_ok=True)
                raise
            self._keep_name(place.parent)
        return name

    def get(self, sha256: str) -> bytes:
        """Gives a content; see Shelf."""
        place = self._place(sha256)
        with self._spoken():
            if not place.is_file():
                raise NotFound("attachment", sha256)
            content = place.read_bytes()
        if sha256_of(content) != sha256:
            raise UserError(
                "attachment-damaged",
                f"The attachment {place} is no longer what was attached.",
                "Attach the file again.",
            )
        return content

    def has(self, sha256: str) -> bool:
        """Whether it is here; see Shelf."""
        return self._place(sha256).is_file()

    def _place(self, sha256: str) -> Path:
        if not _SHA256.fullmatch(sha256):
            raise InternalError("An attachment was asked for by something that is no SHA-256.")
        return self.folder / sha256[:2] / sha256

    @staticmethod
    def _keep_name(folder: Path) -> None:
        """Makes the new name in the folder reach the disk, where the system lets folders be opened for that."""
        with contextlib.suppress(OSError):
            handle = os.open(folder, os.O_RDONLY)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)

    @contextlib.contextmanager
    def _spoken(self) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            raise UserError(
                "attachment-shelf",
                f"The folder of attachments {self.folder} cannot be used: {error.strerror or error}.",
                "Nothing was attached; make room, or ask for the right to write there.",
            ) from error


def read_kinds(text: str) -> tuple[str, ...]:
    """Kinds from a list of words. Raises UserError("attachment-kind") with the nearest word for an unknown one."""
    words = tuple(dict.fromkeys(text.replace(",", " ").split()))
    for word in words:
        if word not in KINDS:
            near = nearest(word, KINDS)
            raise UserError(
                "attachment-kind",
                f'"{word}" is no kind of attachment.',
                f"Did you mean {near}?" if near else f"Kinds are: {', '.join(KINDS)}.",
            )
    return words or tuple(KINDS)
