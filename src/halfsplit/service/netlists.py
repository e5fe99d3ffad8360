"""A machine's circuit for other programs: the SPICE netlist of a state."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from halfsplit.circuit import spice
from halfsplit.circuit.expansion import expand
from halfsplit.circuit.settle import settle
from halfsplit.errors import NotFound, UserError
from halfsplit.machine.reading import load_machine

CODES: dict[str, str] = {
    "spice-there": "A file of that name is there already and is not written over.",
    "spice-unsettled": "The sound machine does not settle in that state, so there is no one circuit to write.",
    "spice-unwritable": "The netlist cannot be written there.",
}


@dataclass(frozen=True, slots=True)
class Deck:
    """A netlist as text, with how many nodes it has."""

    machine: str
    state: str
    nodes: int
    text: str


@dataclass(frozen=True, slots=True)
class DeckFile:
    """A netlist written to a file."""

    machine: str
    state: str
    nodes: int
    file: str


def spice_deck(path: Path, state: str) -> Deck:
    """The netlist of a sound machine in a state.

    Raises ProblemsError for a machine that cannot be used, NotFound for a state it does not have,
    UserError("spice-unsettled") when something in it chatters.
    """
    machine = load_machine(path)
    if state not in machine.states:
        raise NotFound("state", state, machine.states)
    netlist = expand(machine, machine.states[state])
    outcome = settle(netlist)
    if outcome.kind == "chatters":
        raise UserError(
            "spice-unsettled",
            f"In {state} something on {machine.id} does not come to rest.",
            "Look at it with: halfsplit machine check.",
        )
    title = f"{machine.id} in {state}, sound machine; every value from its machine file or a default by kind"
    return Deck(machine.id, state, len(netlist.nodes), spice.deck(outcome, title))


def write_spice_deck(path: Path, state: str, file: Path) -> DeckFile:
    """Writes the netlist to a file, never over another. Raises what ``spice_deck`` does, and UserError."""
    deck = spice_deck(path, state)
    try:
        with file.open("x", encoding="utf-8") as out:
            out.write(deck.text)
    except FileExistsError:
        raise UserError("spice-there", f"{file} is there already.", "Give another file name.") from None
    except OSError as error:
        raise UserError("spice-unwritable", f"{file} cannot be written: {error.strerror or error}.") from error
    return DeckFile(deck.machine, deck.state, deck.nodes, str(file))
