"""halfsplit demo: one job on the shipped sweeper, from the call to the report, against a hidden fault."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from halfsplit.cli.arguments import Commands, command

if TYPE_CHECKING:
    from pathlib import Path

    from halfsplit.service.desk import Desk
    from halfsplit.service.practising import Rig
    from halfsplit.service.proving import Proof
    from halfsplit.service.results import Log, NextStep, Recorded

MACHINE = "saltmarsh-sweeper"
#: Everything about this job is invented for the demo.
FAULT = "X10.9/contact-open"
COMPLAINT = "dust-spray-left dead in sweep"
WORDS = "Left dust spray gives nothing since we came back through the flooded lane."
SEED = 11
LOADED = 6
#: The operator tried it six times, each time in vain; after the repair it is switched on twice as often.
EVENTS, OVER, RAN = 6, "6 cycles", "12 cycles"


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = command(
        commands, "demo", "play one job from the call to the report on a ready machine", run,
        "Opens a job on the shipped (invented) sweeper as from a call, lists what to load, plays the hunt to the end "
        "against a fault hidden on a simulated machine, printing each step, proves the repair, closes the job and "
        "writes the report. The job is kept only when --home says where.",
    )  # fmt: skip
    parser.add_argument(
        "--report", default="", metavar="FILE", help="where the report goes, .pdf or .html (a new temporary folder)"
    )


def open_for_the_app(desk: Desk) -> None:
    """Opens the job of the demo, to be worked by hand."""
    from halfsplit.machine.reading import load_machine
    from halfsplit.service.complaints import complaint_of
    from halfsplit.service.examples import find_machine
    from halfsplit.service.working import open_job

    path = find_machine(MACHINE)
    machine = load_machine(path)
    open_job(desk, path, complaint_of(machine, [COMPLAINT], ["rain"], words=WORDS), machine=machine)


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
    from pathlib import Path

    from halfsplit.cli.console import minutes, print_json, rule, say
    from halfsplit.cli.showing import show_next, show_step, show_why
    from halfsplit.jobs.store import JobStore
    from halfsplit.machine.reading import load_machine
    from halfsplit.service.complaints import complaint_of
    from halfsplit.service.examples import find_machine
    from halfsplit.service.practising import play_out, set_up_told
    from halfsplit.service.reporting import check_place
    from halfsplit.service.working import next_step, why

    assert isinstance(store, JobStore)  # the caller opened it
    if arguments.report:
        check_place(Path(arguments.report))  # before anything is played
    path = find_machine(MACHINE)
    complaint = complaint_of(load_machine(path), [COMPLAINT], ["rain"], words=WORDS)
    with store:
        rig = set_up_told(store, path, FAULT, complaint, SEED)
        loud = not arguments.json
        first = next_step(rig.desk, rig.job)
        if loud:
            _before_leaving(rig)
            rule("At the machine")
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
        proven, closed, file = _prove_and_write(rig, last, arguments.report)
        if arguments.json:
            print_json(closed)
        else:
            say()
            show_next(last, with_head=False)
            _to_the_end(rig, proven, closed, file)
    return 0 if not rig.world.present else 1


def _before_leaving(rig: Rig) -> None:
    """What is told and asked on the telephone, and what to load."""
    from halfsplit.cli import job_load
    from halfsplit.cli.console import rule, say
    from halfsplit.service.loading import job_load_list

    machine = rig.bench.machine
    rule(f"{machine.name}, {machine.maker}")
    say(
        "Everything here is invented: the machine, the job, the fault hidden on a simulated machine. "
        f"{len(machine.parts)} parts, {len(machine.connectors)} connectors, {len(machine.wires)} wires, "
        f"{len(rig.bench.faults)} possible faults.", "dim",
    )  # fmt: skip
    say()
    say(f'"{WORDS}"', "italic")
    say()
    rule("Before leaving, on the telephone")
    job_load.show(job_load_list(rig.desk, rig.job, LOADED))
    say()


def _prove_and_write(rig: Rig, last: NextStep, report: str) -> tuple[Proof, Log, Path]:
    """Proves the repair, closes the job and writes the report: how the proof stands, the log, the file."""
    import tempfile
    from pathlib import Path

    from halfsplit.service.keeping import close_job
    from halfsplit.service.proving import proof, record_run, state_history
    from halfsplit.service.reporting import write_report

    state_history(rig.desk, EVENTS, OVER, rig.job)
    record_run(rig.desk, RAN, rig.job)
    proven = proof(rig.desk, rig.job)
    closed = close_job(rig.desk, "" if last.kind in ("finish", "not found") else "not found", rig.job)
    file = Path(report) if report else Path(tempfile.mkdtemp(prefix="halfsplit-demo-"), "report.pdf")
    write_report(rig.desk, "customer", file, rig.job)
    return proven, closed, file


def _to_the_end(rig: Rig, proven: Proof, closed: Log, file: Path) -> None:
    from halfsplit.cli import job_proving
    from halfsplit.cli.console import minutes, say
    from halfsplit.cli.showing import show_head

    say()
    job_proving.show(proven)
    say()
    show_head(closed.head)
    say(f"Cause: {closed.cause}.")
    hidden = rig.bench.faults[rig.world.hidden[0].fault].text
    say(f"Hidden was: {hidden}. The machine is {'mended' if not rig.world.present else 'not mended'}.")
    say(f"{minutes(rig.clock.minutes)} in all, everything closed up again.", "bold")
    say(str(file), "bold", first="Report for the customer: ")
    say("Your turn: halfsplit practice saltmarsh-sweeper", "dim")
