"""halfsplit demo: one job on the shipped sweeper, from complaint to cause, against a hidden fault."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from halfsplit.cli.arguments import Commands, command

if TYPE_CHECKING:
    from halfsplit.service.results import NextStep, Recorded

MACHINE = "saltmarsh-sweeper"
#: Everything about this job is invented for the demo.
FAULT = "X10.9/contact-open"
COMPLAINT = "dust-spray-left dead in sweep"
WORDS = "Left dust spray gives nothing since we came back through the flooded lane."
SEED = 11


def add(commands: Commands) -> None:
    """Adds the command."""
    command(
        commands, "demo", "play one job from complaint to cause on a ready machine", run,
        "Opens a job on the shipped (invented) sweeper and plays it to the end against a fault hidden on a "
        "simulated "
        "machine, printing each step. The job is kept only when --home says where.",
    )  # fmt: skip


def run(arguments: argparse.Namespace) -> int:
    """Plays the job."""
    import tempfile
    from pathlib import Path

    from halfsplit.jobs.opening import open_store
    from halfsplit.settings import STORE_NAME, make_data_dir

    if arguments.home:
        make_data_dir({"HALFSPLIT_HOME": arguments.home})
        return _play(arguments, open_store(Path(arguments.home) / STORE_NAME))
    with tempfile.TemporaryDirectory(prefix="halfsplit-demo-") as folder:
        return _play(arguments, open_store(Path(folder) / STORE_NAME))


def _play(arguments: argparse.Namespace, store: object) -> int:
    from halfsplit.cli.console import minutes, print_json, rule, say
    from halfsplit.cli.showing import show_head, show_next, show_step, show_why
    from halfsplit.jobs.store import JobStore
    from halfsplit.machine.reading import load_machine
    from halfsplit.service.complaints import complaint_of
    from halfsplit.service.examples import find_machine
    from halfsplit.service.keeping import close_job
    from halfsplit.service.practising import play_out, set_up_told
    from halfsplit.service.working import next_step, why

    assert isinstance(store, JobStore)  # the caller opened it
    path = find_machine(MACHINE)
    machine = load_machine(path)
    complaint = complaint_of(machine, [COMPLAINT], ["rain"], words=WORDS)
    with store:
        rig = set_up_told(store, path, FAULT, complaint, SEED)
        loud = not arguments.json
        first = next_step(rig.desk, rig.job)
        if loud:
            rule(f"{machine.name}, {machine.maker}")
            say(
                f"Everything here is invented: the machine, the job, the fault hidden on a simulated "
                f"machine. "
                f"{len(machine.parts)} parts, {len(machine.connectors)} connectors, {len(machine.wires)} "
                f"wires, "
                f"{len(rig.bench.faults)} possible faults.", "dim",
            )  # fmt: skip
            say()
            say(f'"{WORDS}"', "italic")
            say()
            show_next(first)
            say()
            rule("What was done", "minutes so far")

        def before(step: NextStep) -> None:
            if loud and step.step is not None and step.step.kind == "repair":
                say()
                show_why(why(rig.desk, step.step.id, rig.job))
                say()
                show_step(step.step)
                say()

        def after(_: NextStep, done: Recorded) -> None:
            for text in done.words if loud else ():
                say(text, first=f"{minutes(done.next.head.minutes):>8}  ")

        last = play_out(rig, before, after)
        closed = close_job(rig.desk, "" if last.kind in ("finish", "not found") else "not found", rig.job)
        if arguments.json:
            print_json(closed)
        else:
            say()
            show_next(last, with_head=False)
            say()
            show_head(closed.head)
            say(f"Cause: {closed.cause}.")
            hidden = rig.bench.faults[rig.world.hidden[0].fault].text
            say(
                f"Hidden was: {hidden}. The machine is {'mended' if not rig.world.present else 'not mended'}."
            )
            say(f"{minutes(rig.clock.minutes)} in all, everything closed up again.", "bold")
            say("Your turn: halfsplit practice saltmarsh-sweeper", "dim")
    return 0 if not rig.world.present else 1
