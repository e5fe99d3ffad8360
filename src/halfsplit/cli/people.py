"""halfsplit people: who may sign in to the app in the network, with which role; passwords are typed, never named."""

from __future__ import annotations

import argparse

from halfsplit.cli.arguments import Commands, command

CODES: dict[str, str] = {
    "password-differs": "A new password was typed twice, and not the same both times.",
}

#: What each role may do, in the order of ``halfsplit.jobs.people.ROLES``; a test holds the two together.
ROLES = {
    "technician": "works on jobs, and closes or opens again those worked on",
    "lead": "does everything, and manages people",
    "read-only": "looks on and writes nothing",
}


def add(commands: Commands) -> None:
    """Adds the commands."""
    said = "; ".join(f"{role} {what}" for role, what in ROLES.items())
    one = command(
        commands, "add", "add a person who may sign in", run_add,
        f"Adds a person who may sign in where the app is served to the network. The password is asked for, twice at a "
        f"terminal, else read from the first line of standard input. Roles: {said}.",
    )  # fmt: skip
    _name(one)
    one.add_argument("--role", choices=tuple(ROLES), default="technician", help="technician when left out")
    one = command(commands, "list", "list the people who may sign in", run_list)
    one = command(
        commands, "role", "give a person another role", run_role,
        f"Gives a person another role, which counts at once. Roles: {said}.",
    )  # fmt: skip
    _name(one)
    one.add_argument("role", choices=tuple(ROLES), help="the new role")
    one = command(
        commands, "password", "give a person a new password", run_password,
        "Gives a person a new password, asked for like that of `people add`, and signs the person out everywhere.",
    )  # fmt: skip
    _name(one)
    one = command(
        commands, "remove", "remove a person", run_remove,
        "Removes a person, who is signed out at once. What the person wrote down stays, with the name.",
    )  # fmt: skip
    _name(one)


def run_add(arguments: argparse.Namespace) -> int:
    """Adds a person."""
    from halfsplit.cli.at_desk import at_desk
    from halfsplit.service.people import add_person

    with at_desk(arguments) as desk:
        found = add_person(desk, arguments.name, arguments.role, new_password())
    return _said(arguments, found, f"{found.name} may sign in as {found.role}.")


def run_list(arguments: argparse.Namespace) -> int:
    """Lists everybody."""
    from halfsplit.cli.at_desk import at_desk
    from halfsplit.cli.console import print_json, say
    from halfsplit.service.people import people_list

    with at_desk(arguments) as desk:
        found = people_list(desk)
    if arguments.json:
        print_json(found)
        return 0
    for one in found.people:
        last = f"signed in last on {one.last_sign_in[:10]}" if one.last_sign_in else "never signed in"
        say(f"{one.name}: {one.role}, {last}", first="- ")
    if not found.people:
        say("Nobody may sign in yet. Add somebody: halfsplit people add NAME --role lead.")
    return 0


def run_role(arguments: argparse.Namespace) -> int:
    """Gives another role."""
    from halfsplit.cli.at_desk import at_desk
    from halfsplit.service.people import give_role

    with at_desk(arguments) as desk:
        found = give_role(desk, arguments.name, arguments.role)
    return _said(arguments, found, f"{found.name} is {found.role} now.")


def run_password(arguments: argparse.Namespace) -> int:
    """Gives another password."""
    from halfsplit.cli.at_desk import at_desk
    from halfsplit.service.people import give_password, known_person

    with at_desk(arguments) as desk:
        known_person(desk, arguments.name)  # nobody types a password for a person who is not there
        found = give_password(desk, arguments.name, new_password())
    return _said(arguments, found, f"{found.name} has a new password and is signed out everywhere.")


def run_remove(arguments: argparse.Namespace) -> int:
    """Removes a person."""
    from halfsplit.cli.at_desk import at_desk
    from halfsplit.service.people import remove_person

    with at_desk(arguments) as desk:
        found = remove_person(desk, arguments.name)
    return _said(arguments, found, f"{found.name} can no longer sign in.")


def new_password() -> str:
    """A password typed twice without being shown, or the first line of what is piped in. Raises UserError."""
    import getpass
    import sys

    from halfsplit.errors import UserError

    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\r\n")
    typed = getpass.getpass("Password: ")
    if getpass.getpass("Once more: ") != typed:
        raise UserError("password-differs", "The two were not the same.", "Type it again.")
    return typed


def _name(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("name", metavar="NAME", help="the person's name, as it is written beside entries")
    parser.add_argument("--by", metavar="BY", default="", help="who does this, for the record")


def _said(arguments: argparse.Namespace, found: object, words: str) -> int:
    from halfsplit.cli.console import print_json, say

    if arguments.json:
        print_json(found)
    else:
        say(words)
    return 0
