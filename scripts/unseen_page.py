"""Writes docs/unseen.md: for each shipped machine the faults no check within reach shows, and the best test points.

    scripts/unseen_page.py            goes through every state of every machine, half a minute, and writes the page
    scripts/unseen_page.py --check    works nothing out; stops with 1 when the page does not fit the machines

What --check holds the page to: a section for each shipped machine, with the number of faults it can have now, and none
but faults and points that are still there.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator

from generated_page import ROOT

from halfsplit.circuit.expansion import expand
from halfsplit.faults.catalogue import generate
from halfsplit.machine.model import Machine
from halfsplit.machine.reading import load_machine
from halfsplit.service.examples import find_machine, shipped
from halfsplit.service.machines import LeadsReport, UnseenLine, unseen_faults

PAGE = ROOT / "docs" / "unseen.md"

HEAD = """# What no check shows

For each shipped machine, the faults that no check within reach shows, as `halfsplit machine check MACHINE --all` lists
them; this page is written by `make pages`. Asked are voltmeter and clamp on the live machine, the resistance of each
bus, every function and every code, in every state in which people may be there. A reading shows a fault when it moves
by three deviations of what sound machines and the meter scatter. Most of what is listed bothers nobody for that reason:
a few ohms before a controller's input, a wire that rubs where it is grounded anyway. What is seen by looking,
unplugging, or measuring a part by itself is listed all the same.

The three test points are leads brought out from places no probe reaches, read against the chassis. They are chosen one
after the other, each the one that adds most; what counts is how likely the faults are before anything is measured,
each severity by its own share.
"""


def line(cells: tuple[str, ...]) -> str:
    return f"| {' | '.join(' '.join(cell.split()).replace('|', chr(92) + '|') for cell in cells)} |"


def percent(share: float) -> str:
    return f"{100 * share:.1f} %"


def heading(machine: Machine, faults: int) -> str:
    return f"## {machine.name} (`{machine.id}`), {faults:,} possible faults"


def section(machine: Machine, faults: int, found: tuple[UnseenLine, ...], leads: LeadsReport) -> Iterator[str]:
    yield ""
    yield heading(machine, faults)
    yield ""
    yield f"{len(found)} faults show nowhere; a fault is one of them with {percent(leads.unseen_odds)} of the odds."
    if leads.best:
        together = sum(lead.share for lead in leads.best)
        yield (
            f"Three test points would show {percent(together)} of that, leads at every point "
            f"{percent(leads.showable)}."
        )
        yield ""
        yield line(("test point", "read in", "adds, of the odds of these faults", "shows"))
        yield line(("---",) * 4)
        for lead in leads.best:
            shows = ", ".join(f"`{fault}`" for fault in lead.faults)
            yield line((f"`{lead.point}`", ", ".join(lead.states), percent(lead.share), shows))
    else:
        yield "No lead would show any of them."
    yield ""
    yield line(("fault", "what it is", "a lead that would show it", "in"))
    yield line(("---",) * 4)
    for one in found:
        yield line((f"`{one.fault}`", one.text, f"`{one.would_show}`" if one.would_show else "none", one.state))


def stale(page: str) -> Iterator[str]:
    """What the page says that the machines do not, and what it lacks."""
    sections = {part.splitlines()[0]: part for part in re.split(r"^(?=## )", page, flags=re.MULTILINE)[1:]}
    for name in shipped():
        machine = load_machine(find_machine(name))
        faults = {fault.id for fault in generate(machine)}
        points = {node for state in machine.states.values() for node in expand(machine, state).nodes}
        part = sections.pop(heading(machine, len(faults)), None)
        if part is None:
            yield f"{name} with its {len(faults)} faults is missing"
            continue
        named = set(re.findall(r"`([^`]+)`", part)) - {machine.id}
        for unknown in sorted(named - faults - points):
            yield f"{name} has no {unknown}"
    for title in sections:
        yield f"no shipped machine: {title}"


def main() -> int:
    if "--check" in sys.argv[1:]:
        problems = list(stale(PAGE.read_text("utf-8") if PAGE.exists() else ""))
        for problem in problems:
            print(f"{PAGE.name}: {problem}")
        if problems:
            print("Run `make pages`.")
        return int(bool(problems))
    lines, count = [HEAD.rstrip()], 0
    for name in shipped():
        machine = load_machine(find_machine(name))
        found, leads = unseen_faults(machine)
        lines += section(machine, len(generate(machine)), found, leads)
        count += len(found)
    PAGE.write_text("\n".join(lines) + "\n", "utf-8")
    print(f"{PAGE.relative_to(ROOT)}: {count} faults of {len(shipped())} machines")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
