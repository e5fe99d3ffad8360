"""Kept tables that were cut off, damaged, mixed up or written by several at once: the right numbers or none."""

from __future__ import annotations

import json
import random
import subprocess
import sys
import zlib
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest
from tests.outside.machines.drawn import CART, machine
from tests.robustness.table_writer_process import table as big_table

from halfsplit.diagnosis.hunt import Bench
from halfsplit.faults.signatures import Kept
from halfsplit.service.kept_tables import MAGIC, UNFINISHED, FolderTables, packed, unpacked

WRITER = Path(__file__).parent / "table_writer_process.py"
KEY = "key"


def same(one: Kept, other: Kept) -> bool:
    return all(np.array_equal(getattr(one, each.name), getattr(other, each.name)) for each in fields(Kept))


@pytest.fixture(scope="module")
def kept() -> Kept:
    return Bench(machine(CART)).signatures.state("work").keep()


@pytest.fixture
def store(tmp_path: Path, kept: Kept) -> FolderTables:
    made = FolderTables(tmp_path, version="1")
    made.put(KEY, kept)
    return made


def test_a_file_cut_off_anywhere_is_none(store: FolderTables) -> None:
    path = store.path(KEY)
    whole = path.read_bytes()
    first = range(400)  # head and the beginning of the numbers
    rest = random.Random(1).sample(range(400, len(whole)), 200)
    for length in (*first, *rest, len(whole) - 1):
        path.write_bytes(whole[:length])
        assert store.get(KEY) is None, length
    for more in (b"\0", whole):
        path.write_bytes(whole + more)
        assert store.get(KEY) is None


def test_a_file_with_any_bit_turned_round_is_none(store: FolderTables) -> None:
    path = store.path(KEY)
    whole = path.read_bytes()
    rng = random.Random(2)
    for at in (*range(400), *rng.sample(range(400, len(whole)), 200)):
        damaged = bytearray(whole)
        damaged[at] ^= 1 << rng.randrange(8)
        path.write_bytes(damaged)
        found = store.get(KEY)
        # The digits of the sum may be written large: the same sum, so the same numbers.
        assert found is None or bytes(damaged).lower() == whole.lower(), at


def test_a_block_of_zeros_as_a_power_cut_leaves_it_is_none(store: FolderTables) -> None:
    path = store.path(KEY)
    whole = path.read_bytes()
    for start in range(0, len(whole), 512):
        block = whole[start : start + 512]
        if block.strip(b"\0"):
            path.write_bytes(whole[:start] + bytes(len(block)) + whole[start + 512 :])
            assert store.get(KEY) is None, start
    path.write_bytes(bytes(len(whole)))
    assert store.get(KEY) is None
    path.write_bytes(b"")
    assert store.get(KEY) is None


def test_a_file_of_another_key_or_form_is_none_although_its_sum_is_right(store: FolderTables, kept: Kept) -> None:
    path = store.path(KEY)
    path.write_bytes(b"".join(packed(kept, "another")))
    assert store.get(KEY) is None
    start = len(MAGIC) + 9
    line, _, numbers = b"".join(packed(kept, path.stem))[start:].partition(b"\n")
    about = json.loads(line)
    mixed_up: tuple[object, ...] = (
        [], {}, None, "text", {**about, "arrays": {}}, {**about, "arrays": {**about["arrays"], "volts": ["<f8", [1]]}},
        {**about, "arrays": {**about["arrays"], "volts": ["<f4", [10**9, 10**9]]}},
        {**about, "arrays": {**about["arrays"], "volts": ["<f4", "many"]}},
        {**about, "arrays": {**about["arrays"], "volts": ["<f4", [-1]]}},
    )  # fmt: skip
    for wrong in mixed_up:
        rest = json.dumps(wrong).encode() + b"\n" + numbers
        path.write_bytes(MAGIC + b"%08x\n" % zlib.crc32(rest) + rest)
        assert store.get(KEY) is None
    rest = b"\xff\xfe no json\n" + numbers
    assert unpacked(MAGIC + b"%08x\n" % zlib.crc32(rest) + rest, path.stem, Kept) is None


def test_a_damaged_file_is_made_again_and_is_whole_afterwards(tmp_path: Path) -> None:
    sound = Bench(machine(CART)).signatures.state("work").keep()
    Bench(machine(CART), FolderTables(tmp_path)).signatures.state("work")
    (path,) = tmp_path.iterdir()
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    again = Bench(machine(CART), FolderTables(tmp_path)).signatures.state("work")
    assert again.made_anew
    assert same(again.keep(), sound)
    assert path.read_bytes() == whole
    assert not Bench(machine(CART), FolderTables(tmp_path)).signatures.state("work").made_anew


def test_a_folder_in_the_place_of_a_file_only_costs_the_time(tmp_path: Path, kept: Kept) -> None:
    store = FolderTables(tmp_path)
    store.path(KEY).mkdir()
    assert store.get(KEY) is None
    store.put(KEY, kept)
    assert store.get(KEY) is None
    assert not list(tmp_path.glob(f"*{UNFINISHED}"))


def test_processes_that_write_at_once_are_never_seen_half_way(tmp_path: Path) -> None:
    expected, store = big_table(), FolderTables(tmp_path, version="1")
    writers = [
        subprocess.Popen(
            [sys.executable, str(WRITER), str(tmp_path), "25"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        for _ in range(2)
    ]
    for writer in writers:
        assert writer.stdout is not None
        assert writer.stdout.readline() == "ready\n"
    for writer in writers:
        assert writer.stdin is not None
        writer.stdin.write("go\n")
        writer.stdin.flush()
    seen = 0
    while any(writer.poll() is None for writer in writers):
        found = store.get(KEY)
        assert found is not None or seen == 0  # once there, it is there
        if found is not None:
            seen += 1
            assert same(found, expected)
    for writer in writers:
        writer.communicate()
        assert writer.returncode == 0
    last = store.get(KEY)
    assert last is not None
    assert same(last, expected)
    assert [path.name for path in tmp_path.iterdir()] == [store.path(KEY).name]
