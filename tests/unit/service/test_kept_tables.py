"""Tables kept between runs: the same numbers, found only by what they were made from, and never in the way."""

from __future__ import annotations

import dataclasses
import errno
import os
import stat
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import pytest
from tests.outside.machines.drawn import CART, machine

from halfsplit.diagnosis.hunt import Bench
from halfsplit.faults.signatures import Kept, StateTable, content_key
from halfsplit.service.kept_tables import SUFFIX, UNFINISHED, FolderTables, packed, program_version, tables

NAMES = [field.name for field in dataclasses.fields(Kept)]


def same(one: Kept, other: Kept) -> bool:
    return all(
        getattr(one, name).dtype == getattr(other, name).dtype
        and np.array_equal(getattr(one, name), getattr(other, name))
        for name in NAMES
    )


@pytest.fixture(scope="module")
def kept() -> Kept:
    return Bench(machine(CART)).signatures.state("work").keep()


def test_a_table_comes_back_bit_by_bit(tmp_path: Path, kept: Kept) -> None:
    FolderTables(tmp_path).put("key", kept)
    found = FolderTables(tmp_path).get("key")
    assert found is not None
    assert same(found, kept)
    assert FolderTables(tmp_path).get("other key") is None


def test_a_table_comes_back_bit_by_bit_whatever_its_shapes(tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    sizes = ((1, 1, 0, 0, 0, 1), (7, 3, 1, 5, 2, 11), (3, 9, 2, 0, 1, 4))
    for lines, nodes, functions, codes, fuses, elements in sizes:
        one = Kept(
            rng.normal(size=(lines, nodes)).astype(np.float32),
            rng.normal(size=(lines, functions)).astype(np.float32),
            rng.random((lines, codes)) < 0.5,
            rng.random(lines) < 0.5,
            rng.random((lines, fuses)) < 0.5,
            rng.normal(size=(nodes, elements)),
            rng.random(fuses + codes) < 0.5,
            rng.normal(size=fuses),
        )
        FolderTables(tmp_path).put("key", one)
        found = FolderTables(tmp_path).get("key")
        assert found is not None
        assert same(found, one)


def test_a_bench_with_kept_tables_says_what_one_without_says(tmp_path: Path) -> None:
    plain = Bench(machine(CART)).signatures.state("work")
    first = Bench(machine(CART), FolderTables(tmp_path)).signatures.state("work")
    again = Bench(machine(CART), FolderTables(tmp_path)).signatures.state("work")
    assert first.made_anew
    assert not again.made_anew
    for table in (first, again):
        assert same(table.keep(), plain.keep())
        assert table.lines.effects == plain.lines.effects
        plus, minus = plain.netlist.nodes[1], plain.netlist.nodes[2]
        assert table.spread_v(plus, minus) == plain.spread_v(plus, minus)
    # What has to be worked out still can be, and fits what was kept.
    effects = [*Bench(machine(CART)).signatures.effects, ()]
    assert np.array_equal(again.predict(effects).volts, plain.lines.volts)


def test_rows_that_part_a_battery_come_back_bit_by_bit(tmp_path: Path) -> None:
    plain, store = Bench(machine(CART)).signatures.state("work"), FolderTables(tmp_path)
    points = plain.netlist.nodes[1], plain.netlist.nodes[2]
    wanted = plain.parted_spread(*points)
    assert len(wanted[0]) > 0
    for first in (True, False):
        assert bool(list(tmp_path.glob("*.parted"))) is not first
        table = Bench(machine(CART), store).signatures.state("work")
        for found, known in zip(table.parted_spread(*points), wanted, strict=True):
            assert np.array_equal(found, known)
    # The second time they were not worked out.
    (path,) = tmp_path.glob("*.parted")
    again = Bench(machine(CART), store).signatures.state("work")
    assert not again.parted.spread.deviation.flags.writeable
    # Damaged, or those of another table: worked out again.
    whole = path.read_bytes()
    kept = plain.parted.keep()
    for spoilt in (
        whole[:-5], whole[:2000] + b"x" + whole[2001:],
        b"".join(packed(dataclasses.replace(kept, rows=kept.rows + 10**6), path.stem)),
        b"".join(packed(dataclasses.replace(kept, place=kept.place + len(kept.sees)), path.stem)),
        b"".join(packed(dataclasses.replace(kept, deviation=kept.deviation[:, 1:]), path.stem)),
    ):  # fmt: skip
        path.write_bytes(spoilt)
        once_more = Bench(machine(CART), store).signatures.state("work").parted_spread(*points)
        assert np.array_equal(once_more[1], wanted[1])
        assert path.read_bytes() == whole


def test_a_kept_table_is_not_written_to_by_accident(tmp_path: Path, kept: Kept) -> None:
    FolderTables(tmp_path).put("key", kept)
    found = FolderTables(tmp_path).get("key")
    assert found is not None
    with pytest.raises(ValueError, match="read-only"):
        found.volts[0, 0] = 1.0


def test_the_key_is_another_one_when_anything_in_the_machine_or_the_effects_is() -> None:
    it = machine(CART)
    effects = Bench(it).signatures.effects
    key = content_key(it, effects)
    assert key == content_key(machine(CART), effects)
    name = next(iter(it.wires))
    longer = dataclasses.replace(it.wires[name], length_m=it.wires[name].length_m + 0.01)
    changed = dataclasses.replace(it, wires={**it.wires, name: longer})
    assert content_key(changed, effects) != key
    assert content_key(it, effects[1:]) != key
    assert content_key(dataclasses.replace(it, system_v=it.system_v + 0.1), effects) != key


def test_the_key_is_the_same_in_every_run(repository: Path) -> None:
    program = (
        "from pathlib import Path\n"
        "from halfsplit.faults.signatures import content_key\n"
        "from halfsplit.machine.reading import load_machine\n"
        f"print(content_key(load_machine(Path({str(repository / 'examples' / 'hand-cart-generator')!r})), ()))"
    )
    keys = {
        subprocess.run(
            [sys.executable, "-c", program], capture_output=True, text=True, check=True,
            env={**os.environ, "PYTHONHASHSEED": seed},
        ).stdout
        for seed in ("1", "2")
    }  # fmt: skip
    assert len(keys) == 1


def test_one_changed_wire_is_made_anew(tmp_path: Path) -> None:
    it = machine(CART)
    Bench(it, FolderTables(tmp_path)).signatures.state("work")
    name = next(iter(it.wires))
    longer = dataclasses.replace(it.wires[name], length_m=it.wires[name].length_m + 5.0)
    changed = dataclasses.replace(it, wires={**it.wires, name: longer})
    found = Bench(changed, FolderTables(tmp_path)).signatures.state("work")
    assert found.made_anew
    assert not np.array_equal(found.lines.volts, Bench(it).signatures.state("work").lines.volts)


def test_another_version_of_the_program_does_not_find_it(tmp_path: Path, kept: Kept) -> None:
    FolderTables(tmp_path, version="one").put("key", kept)
    assert FolderTables(tmp_path, version="two").get("key") is None
    assert FolderTables(tmp_path, version="one").get("key") is not None
    # Nor under its own name, should somebody rename the file.
    FolderTables(tmp_path, version="one").path("key").rename(FolderTables(tmp_path, version="two").path("key"))
    assert FolderTables(tmp_path, version="two").get("key") is None


def test_the_version_is_that_of_the_source_text() -> None:
    assert len(program_version()) == 64
    assert int(program_version(), 16) > 0


def test_a_table_of_other_shapes_is_left_aside(kept: Kept) -> None:
    it = machine(CART)
    effects = Bench(it).signatures.effects
    for name in NAMES:
        array = getattr(kept, name)
        longer = np.zeros((len(array) + 1, *array.shape[1:]), dtype=array.dtype)
        table = StateTable(it, "work", effects, dataclasses.replace(kept, **{name: longer}))
        assert table.made_anew
        assert same(table.keep(), kept)


def test_the_folder_stays_below_its_limit_and_the_longest_unused_goes_first(tmp_path: Path, kept: Kept) -> None:
    plenty = FolderTables(tmp_path)
    leftover = tmp_path / f"killed{UNFINISHED}"
    leftover.write_bytes(b"x" * 10)
    (tmp_path / "notes.txt").write_text("not ours")
    for when_s, key in ((400, "b"), (300, "a"), (200, "c")):
        plenty.put(key, kept)
        os.utime(plenty.path(key), (when_s, when_s))
    os.utime(leftover, (100, 100))
    assert plenty.get("a") is not None  # used now, so it is the newest
    size = plenty.path("a").stat().st_size
    FolderTables(tmp_path, most_bytes=3 * size).put("d", kept)
    store = plenty
    assert not leftover.exists()
    assert [store.path(key).exists() for key in "abcd"] == [True, True, False, True]
    assert (tmp_path / "notes.txt").exists()
    assert sum(path.stat().st_size for path in tmp_path.glob(f"*{SUFFIX}")) <= 3 * size


def test_a_table_larger_than_the_folder_may_be_is_not_kept(tmp_path: Path, kept: Kept) -> None:
    store = FolderTables(tmp_path, most_bytes=100)
    store.put("key", kept)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_made_only_costs_the_time(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    table = Bench(machine(CART), FolderTables(tmp_path / "file" / "below")).signatures.state("work")
    assert table.made_anew
    assert (tmp_path / "file").read_text() == ""


@pytest.mark.parametrize("number", [errno.EROFS, errno.EACCES, errno.ENOSPC])
def test_a_folder_that_cannot_be_written_to_is_still_read(
    tmp_path: Path, kept: Kept, number: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = FolderTables(tmp_path)
    store.put("key", kept)

    def refuse(*_: object, **__: object) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(tempfile, "mkstemp", refuse)
    monkeypatch.setattr(os, "utime", refuse)
    store.put("more", kept)
    assert store.get("more") is None
    found = store.get("key")
    assert found is not None
    assert same(found, kept)


def test_a_disk_that_fills_up_half_way_leaves_nothing_behind(
    tmp_path: Path, kept: Kept, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(_: Path, __: Path) -> None:
        raise OSError(errno.ENOSPC, "no space")

    monkeypatch.setattr(Path, "replace", refuse)
    FolderTables(tmp_path).put("key", kept)
    assert list(tmp_path.iterdir()) == []


def test_the_folder_is_for_its_owner_alone(tmp_path: Path, kept: Kept) -> None:
    store = FolderTables(tmp_path / "cache")
    store.put("key", kept)
    assert stat.S_IMODE((tmp_path / "cache").stat().st_mode) & 0o077 == 0
    assert stat.S_IMODE(store.path("key").stat().st_mode) & 0o077 == 0


def test_the_person_may_choose_the_folder_or_switch_it_off(tmp_path: Path) -> None:
    chosen = tables({"HALFSPLIT_CACHE": str(tmp_path / "mine")})
    assert isinstance(chosen, FolderTables)
    assert chosen.folder == tmp_path / "mine"
    assert tables({"HALFSPLIT_CACHE": "Off "}) is None
    assert not (tmp_path / "mine").exists()
