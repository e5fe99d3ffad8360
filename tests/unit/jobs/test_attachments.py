"""Attachments: known by their content, refused when they are not whole, kept once."""

from __future__ import annotations

import struct
import threading
import zlib
from pathlib import Path

import pytest

from halfsplit.errors import InternalError, NotFound, UserError
from halfsplit.jobs.attachments import FolderShelf, MemoryShelf, Shelf, kind_of, read_kinds, sha256_of


def chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


PNG = (
    b"\x89PNG\r\n\x1a\n"
    + chunk(b"IHDR", struct.pack(">IIBBBBB", 2, 2, 8, 0, 0, 0, 0))
    + chunk(b"IDAT", zlib.compress(b"\0\0\0\0\0\0"))
    + chunk(b"IEND", b"")
)
#: A JPEG's frame: start, an application segment, a scan with some coded data, end (ITU-T T.81, annex B).
JPEG = (
    b"\xff\xd8" + b"\xff\xe0" + struct.pack(">H", 16) + b"JFIF\0" + bytes(9)
    + b"\xff\xda" + struct.pack(">H", 8) + bytes(6) + b"coded data" + b"\xff\xd9"
)  # fmt: skip


@pytest.mark.parametrize(
    ("content", "kind"),
    [
        (PNG, "png"),
        (JPEG, "jpeg"),
        (JPEG + b"trailing bytes of a phone", "jpeg"),
        (b"RIFF\x10\0\0\0WEBPVP8 ", "webp"),
        (b"\0\0\0\x18ftypheic\0\0\0\0", "heic"),
        (b"\0\0\0\x18ftypmp42\0\0\0\0", "mp4"),
        (b"\0\0\0\x18ftypM4A \0\0\0\0", "m4a"),
        (b"ID3\x04\0\0\0\0\0\0", "mp3"),
        (b"OggS\0\x02", "ogg"),
        (b"RIFF\x24\0\0\0WAVEfmt ", "wav"),
        (b"\x1aE\xdf\xa3\x9fB\x86\x81\x01B\x82\x84webm", "webm"),
        (b"%PDF-1.7\n\x01\x02", "pdf"),
        (b"LOGG\x90\0\0\0", "blf"),
        (b"MDF     4.10    ", "mf4"),
        ("0,12.4 V,größer\r\n".encode(), "text"),
        (b"\xef\xbb\xbfwith a mark", "text"),
    ],
)
def test_the_content_says_what_a_file_is(content: bytes, kind: str) -> None:
    assert kind_of(content) == kind


@pytest.mark.parametrize(
    "content",
    [b"\x7fELF\x02\x01\x01\0", b"MZ\x90\0\x03", b"PK\x03\x04\x14\0", b"\xff\xfe\x00\xd8",
     b"\0\0\0\x18ftypzzzz", b"\x1f\x8b\x08\0"],
)  # fmt: skip
def test_what_nobody_knows_is_refused(content: bytes) -> None:
    with pytest.raises(UserError) as caught:
        kind_of(content)
    assert caught.value.code == "attachment-kind"


@pytest.mark.parametrize("whole", [PNG, JPEG])
def test_a_picture_cut_short_anywhere_is_refused(whole: bytes) -> None:
    for end in range(len(whole)):
        with pytest.raises(UserError) as caught:
            kind_of(whole[:end])
        assert caught.value.code in ("attachment-torn", "attachment-empty", "attachment-kind")


def test_a_png_with_a_changed_byte_in_any_chunk_is_refused() -> None:
    for at in range(8, len(PNG)):
        changed = bytearray(PNG)
        changed[at] ^= 1
        with pytest.raises(UserError) as caught:
            kind_of(bytes(changed))
        assert caught.value.code == "attachment-torn"


def test_an_empty_file_and_a_kind_not_allowed_here_are_refused() -> None:
    for content, allowed, code in ((b"", ("text",), "attachment-empty"), (PNG, ("text",), "attachment-kind")):
        with pytest.raises(UserError) as caught:
            kind_of(content, allowed)
        assert caught.value.code == code


def test_kinds_are_read_from_a_list_of_words_with_the_nearest_offered() -> None:
    assert read_kinds("jpeg, png png") == ("jpeg", "png")
    assert "mf4" in read_kinds("")
    with pytest.raises(UserError) as caught:
        read_kinds("jpeg jpg2 pgn")
    assert caught.value.code == "attachment-kind"


@pytest.fixture(params=["memory", "folder"])
def shelf(request: pytest.FixtureRequest, tmp_path: Path) -> Shelf:
    return MemoryShelf() if request.param == "memory" else FolderShelf(tmp_path / "attachments")


def test_a_shelf_gives_back_what_it_was_given_under_its_sum(shelf: Shelf) -> None:
    name = shelf.put(b"content")
    assert name == sha256_of(b"content")
    assert shelf.put(b"content") == name
    assert shelf.has(name)
    assert shelf.get(name) == b"content"
    assert not shelf.has(sha256_of(b"other"))
    with pytest.raises(NotFound):
        shelf.get(sha256_of(b"other"))


def test_a_folder_keeps_equal_contents_once_and_leaves_nothing_unfinished(tmp_path: Path) -> None:
    shelf = FolderShelf(tmp_path)
    crowd = [threading.Thread(target=shelf.put, args=(b"the same",)) for _ in range(8)]
    for one in crowd:
        one.start()
    for one in crowd:
        one.join()
    files = [path for path in tmp_path.rglob("*") if path.is_file()]
    assert [path.name for path in files] == [sha256_of(b"the same")]


def test_a_damaged_content_is_said_and_put_right_by_attaching_again(tmp_path: Path) -> None:
    shelf = FolderShelf(tmp_path)
    name = shelf.put(b"content")
    (tmp_path / name[:2] / name).write_bytes(b"c0ntent")
    with pytest.raises(UserError) as caught:
        shelf.get(name)
    assert caught.value.code == "attachment-damaged"
    shelf.put(b"content")
    assert shelf.get(name) == b"content"


def test_a_folder_that_cannot_be_used_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(UserError) as caught:
        FolderShelf(tmp_path / "file").put(b"content")
    assert caught.value.code == "attachment-shelf"


def test_a_name_that_is_no_sum_never_reaches_the_disk(tmp_path: Path) -> None:
    with pytest.raises(InternalError):
        FolderShelf(tmp_path).get("../../secret")
