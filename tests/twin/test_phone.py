"""What a phone makes of taps while the server is out of reach, against what the server makes of them later."""

from __future__ import annotations

import gzip
import json
import subprocess
from collections.abc import Callable
from datetime import UTC, datetime
from itertools import count
from pathlib import Path
from typing import Any

import pytest

from halfsplit.diagnosis.hunt import Bench, Hunt, Settings
from halfsplit.diagnosis.outcomes import outcomes
from halfsplit.jobs.memory import MemoryStore
from halfsplit.jobs.store import fingerprint_of
from halfsplit.machine.reading import load_machine
from halfsplit.observations import Complaint, Symptom
from halfsplit.service.desk import Desk, machine_files
from halfsplit.service.found import record
from halfsplit.service.kept_tables import tables
from halfsplit.service.phone_table import found_of, phone_table
from halfsplit.service.results import to_data
from halfsplit.service.working import next_step, open_job

STANDS = Path(__file__).with_name("stands.mjs")
CART = Path(__file__).resolve().parents[2] / "examples" / "hand-cart-generator"
#: How near the two must be.
NEAR = 1e-9
READINGS = {"volts": ("0.2 V", "11.9 V", "850 mV"), "drop": ("1.2 V",), "amps": ("40 A",), "ohms": ("0.4 ohm", "OL")}
#: So many checks of each kind are answered; of looks and walks more, because there are several sorts.
ANSWERED = {"look": 4, "round": 2, "operate": 2}


@pytest.fixture(scope="session")
def standing(bundled: Callable[[str], Path]) -> Path:
    """What the phone says of a job by itself."""
    return bundled("src/phone/index.ts")


class Shop:
    """A desk on the hand cart; jobs opened on it are alike."""

    def __init__(self, *, comes_and_goes: bool = False) -> None:
        self.bench = Bench(load_machine(CART), tables())
        benches = {fingerprint_of(machine_files(CART)): self.bench}
        self.desk = Desk(MemoryStore(), lambda: datetime(2031, 4, 2, 7, tzinfo=UTC), "", benches)
        level = "comes-and-goes" if comes_and_goes else "off"
        self.complaint = Complaint((Symptom("starter", "start", level, 0.96),), comes_and_goes=comes_and_goes)  # type: ignore[arg-type] # both are levels
        self.numbers = count(1)

    def open(self) -> str:
        return open_job(self.desk, CART, self.complaint, job_id=f"j-{next(self.numbers)}").head.job

    def hunt(self, job: str) -> Hunt:
        """The job's hunt as a phone knows it: without sets of faults."""
        hunt = Hunt(self.bench, self.complaint, Settings(grow=False))
        hunt.record_all(found_of(self.desk.standing(self.desk.job(job))))
        return hunt


def cases_of(table: dict[str, Any]) -> list[list[dict[str, str]]]:
    """Answers to some checks of each kind, every answer a tap can give; and then several, one after the other."""
    left: dict[str, int] = {}
    found: list[list[dict[str, str]]] = []
    for check in table["checks"]:
        kind = check["kind"]
        left[kind] = left.get(kind, ANSWERED.get(kind, 1)) - 1
        if left[kind] < 0:
            continue
        asked = table["said"]["checks"][check["id"]]["asked"]
        texts = [one["text"] for one in asked["choices"]] + list(READINGS.get(kind, ())) + ["can't reach"]
        if asked["kind"] == "round":
            line = asked["lines"][0]
            texts += [f"{line['function']} {line['amiss'][at]['text']}" for at in (0, -1)]
        if asked["showing"]:
            texts += [f"{texts[0]}, showing", f"{texts[0]}, away"]
        found += [[{"check": check["id"], "answer": text}] for text in dict.fromkeys(texts)]
    first = table["groups"][0]["id"]
    repairs = [[{"repair": first, "answer": text}] for text in ("mended", "not mended", "done", "can't reach")]
    unasked = [[{"function": "starter", "state": "start", "answer": "weak"}]]
    return [*found, *repairs, *unasked, [one[0] for one in found[::7]], [*found[3], *repairs[1], *found[5]]]


@pytest.mark.parametrize("comes_and_goes", [False, True])
def test_a_tap_means_on_the_phone_what_the_server_makes_of_it(
    node: str, standing: Path, tmp_path: Path, comes_and_goes: bool
) -> None:
    shop = Shop(comes_and_goes=comes_and_goes)
    job = shop.open()
    base = {"next": to_data(next_step(shop.desk, job)), "contradictions": []}
    table = phone_table(shop.desk, job)
    cases = cases_of(table)
    if comes_and_goes:
        # The others are the same as where the fault is always there.
        cases = [one for one in cases if any(each["answer"].endswith((", showing", ", away")) for each in one)]
    answers = phone_says(node, standing, tmp_path, table, base, cases)
    kinds = set()
    for case, said in zip(cases, answers, strict=True):
        one = shop.open()
        for each in case:
            check, repair = each.get("check", ""), each.get("repair", "")
            asked = f"{each['function']} in {each['state']}: " if "function" in each else ""
            record(shop.desk, asked + each["answer"], one, check_id=check, repair=repair)
            kinds.add(check.partition(" ")[0])
        hunt = shop.hunt(one)
        stands, job_now = shop.desk.standing(shop.desk.job(one)), shop.desk.job(one)
        assert said["unweighed"] == 0, case
        odds = {group.id: float(p) for group, p in zip(hunt.bench.space.groups, hunt.belief.group_odds(), strict=True)}
        for suspect in said["suspects"]:
            assert suspect["odds"] == pytest.approx(odds[suspect["group"]], abs=NEAR), (case, suspect)
        assert said["working"]["next"]["open_access"] == stands.open_now, case
        assert said["working"]["next"]["head"]["minutes"] == pytest.approx(job_now.minutes), case
    assert kinds >= {"volts", "ohms", "lamp", "amps"}
    assert comes_and_goes or kinds >= {"operate", "walk", "look"}, kinds


def phone_says(
    node: str,
    standing: Path,
    folder: Path,
    table: dict[str, Any],
    base: dict[str, Any],
    cases: list[list[dict[str, str]]],
) -> list[dict[str, Any]]:
    """Where the job stands on the phone with each of these queues."""
    queues = [
        [
            {"path": "findings", "content": one, "sending": f"S-{n}-{at}", "when": "", "job": "", "words": ""}
            for at, one in enumerate(case)
        ]
        for n, case in enumerate(cases)
    ]
    sent = {"sent": table, "base": base, "queues": queues}
    (folder / "cases.gz").write_bytes(gzip.compress(json.dumps(sent).encode("utf-8"), 1))
    subprocess.run([node, str(STANDS), str(standing), str(folder / "cases.gz"), str(folder / "said.json")], check=True)
    found: list[dict[str, Any]] = json.loads((folder / "said.json").read_text("utf-8"))
    return found


def test_what_each_result_would_mean_is_the_servers(node: str, standing: Path, tmp_path: Path) -> None:
    shop = Shop()
    job = shop.open()
    base = {"next": to_data(next_step(shop.desk, job)), "contradictions": []}
    table = phone_table(shop.desk, job)
    compared = set()
    # Cannot reach the best, again and again: another check is shown each time.
    ids = [one["id"] for one in table["checks"]]
    cases = [[{"check": one, "answer": "can't reach"} for one in ids if one != wanted] for wanted in ids[::3]]
    for wanted, said in zip(ids[::3], phone_says(node, standing, tmp_path, table, base, cases), strict=True):
        step = said["working"]["next"]["step"]
        if step is None or step["kind"] != "check":
            continue
        assert step["id"] == wanted
        hunt = shop.hunt(job)
        check = shop.desk.standing(shop.desk.job(job)).check(wanted)
        assert check is not None
        theirs = sorted(outcomes(hunt, check), key=lambda one: (-round(one.chance, 9), one.label))
        mine = sorted(step["outcomes"], key=lambda one: (-round(one["chance"], 9), one["label"]))
        assert [one["label"] for one in mine] == [one.label for one in theirs], wanted
        for own, other in zip(mine, theirs, strict=True):
            assert own["chance"] == pytest.approx(other.chance, abs=NEAR), wanted
            assert own["healthy"] == other.healthy, wanted
            assert [m["odds"] for m in own["means"]] == pytest.approx([m.odds for m in other.means], abs=NEAR), wanted
            assert own["low"] == pytest.approx(other.low, abs=1e-6), wanted
        compared.add(check.kind)
    assert compared >= {"volts", "look"}
