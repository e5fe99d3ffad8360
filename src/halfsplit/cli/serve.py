"""halfsplit serve: the web app and its HTTP interface, on this computer alone or for phones in the same network."""

from __future__ import annotations

import argparse
from contextlib import ExitStack
from typing import TYPE_CHECKING

from halfsplit.cli.arguments import Commands, command

if TYPE_CHECKING:
    import socket

    from halfsplit.service.board import Board
    from halfsplit.service.desk import Desk

CODES: dict[str, str] = {
    "people-none": "The app was to be served to the network, and there is nobody who could sign in.",
    "serve-address": "An address to listen on was named, and the app is not served to the network.",
}

#: Where the app is found when no port is given; of the range nobody owns (IANA, RFC 6335).
PORT = 49240


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = command(
        commands, "serve", "serve the web app on this computer, or to phones in the same network", run,
        "Serves the web app for phone-sized screens and its HTTP interface over the same jobs as the other commands, "
        "until interrupted: on this computer alone (127.0.0.1), or with --lan to people in the same network, who "
        "sign in.",
    )  # fmt: skip
    parser.add_argument(
        "--machine", action="append", default=[], metavar="FOLDER",
        help="a machine jobs may be opened on, besides the shipped ones; several times",
    )  # fmt: skip
    parser.add_argument(
        "--port", type=int, default=PORT, metavar="NUMBER", help=f"the port, {PORT} when left out; 0 takes a free one"
    )
    where = parser.add_mutually_exclusive_group()
    where.add_argument(
        "--lan", action="store_true",
        help="serve to phones in the same network, with HTTPS; people sign in (see `people add`), and a page to join "
        "is served on the next port",
    )  # fmt: skip
    parser.add_argument(
        "--address", default="", metavar="ADDRESS",
        help="with --lan: this computer's address in the network, for when it is in several",
    )  # fmt: skip
    where.add_argument(
        "--demo", action="store_true",
        help="serve with the job of `halfsplit demo` opened and nothing else, and keep nothing",
    )  # fmt: skip
    parser.add_argument("--open", action="store_true", help="open the app in the browser")
    parser.add_argument("--by", metavar="NAME", default="", help="who is working, for the record")
    parser.add_argument("--describe", action="store_true", help="print the interface's OpenAPI description and leave")


def run(arguments: argparse.Namespace) -> int:
    """Serves until interrupted."""
    import tempfile
    from contextlib import closing

    from halfsplit.cli.at_desk import at_desk, machine_path
    from halfsplit.cli.console import print_json
    from halfsplit.errors import UserError
    from halfsplit.service.beside import Standby
    from halfsplit.service.board import Board
    from halfsplit.web import running

    if arguments.describe:
        from halfsplit.web.describing import description

        print_json(description())
        return 0
    if arguments.address and not arguments.lan:
        raise UserError("serve-address", "--address belongs to --lan.", "Say: halfsplit serve --lan --address ADDRESS.")
    board = Board(tuple(machine_path(one) for one in arguments.machine))
    with ExitStack() as stack:
        # Split off before there are threads, the port or the store.
        standby = stack.enter_context(closing(Standby()))
        if arguments.demo:
            arguments.home = stack.enter_context(tempfile.TemporaryDirectory(prefix="halfsplit-demo-"))
        if arguments.lan:
            desk = stack.enter_context(at_desk(arguments))
            desk.begin = standby.begin
            _to_the_network(arguments, stack, desk, board)
            return 0
        where = stack.enter_context(running.listen(arguments.port))
        desk = stack.enter_context(at_desk(arguments))
        desk.begin = standby.begin
        if arguments.demo:
            from halfsplit.cli.demo import open_for_the_app

            open_for_the_app(desk)
        _here(arguments, where, desk, board)
    return 0


def _here(arguments: argparse.Namespace, where: socket.socket, desk: Desk, board: Board) -> None:
    """Serves this computer alone."""
    from halfsplit.cli.console import print_json, say
    from halfsplit.web import running
    from halfsplit.web.app import create_app
    from halfsplit.web.hunts import Hunts

    def ready(address: str) -> None:
        if arguments.json:
            print_json({"address": address})
        else:
            say(f"halfsplit is at {address} until you press Ctrl-C. Only this computer can reach it.")
        _said(arguments, address)

    running.run(create_app(Hunts(desk, board)), where, ready)


def _to_the_network(arguments: argparse.Namespace, stack: ExitStack, desk: Desk, board: Board) -> None:
    """Serves phones in the same network: with HTTPS, and to people who sign in."""
    from halfsplit.cli.console import print_json, say, say_raw
    from halfsplit.errors import UserError
    from halfsplit.service.people import Roster, people_list
    from halfsplit.settings import certificates_dir
    from halfsplit.web import joining, running
    from halfsplit.web.app import create_app
    from halfsplit.web.certificates import certificates, local_address
    from halfsplit.web.hunts import Hunts
    from halfsplit.web.signing import Door

    if not people_list(desk).people:
        raise UserError(
            "people-none", "Nobody could sign in: there are no people yet.",
            "Add somebody first: halfsplit people add NAME --role lead.",
        )  # fmt: skip
    here = local_address(arguments.address or joining.network_address())
    environ = {"HALFSPLIT_HOME": arguments.home} if arguments.home else None
    found = certificates(certificates_dir(environ), here, desk.now())
    where = stack.enter_context(running.listen(arguments.port, str(here)))
    port = where.getsockname()[1]
    page = stack.enter_context(running.listen(port + 1 if arguments.port else 0, str(here)))
    join = running.address_of(page, "http")
    app = create_app(Hunts(desk, board), hosts=frozenset({str(here)}), door=Door(Roster(desk.store)))

    def ready(address: str) -> None:
        if arguments.json:
            print_json({"address": address, "join": join, "fingerprint": found.fingerprint})
        else:
            say(f"halfsplit is at {address} until you press Ctrl-C, for phones in the same network. People sign in.")
            say(f"The first time, scan this with the phone, or open {join} on it:")
            for line in joining.code(join).splitlines():
                say_raw(line, "bright_white on black")  # the same on a light and on a dark terminal
            say("SHA-256 fingerprint of the certificate, to compare with what the phone shows:")
            say(found.fingerprint)
        _said(arguments, address)

    joins = joining.join_app(running.address_of(where, "https"), found.fingerprint, found.authority)
    stack.enter_context(running.beside(joins, page))
    running.run(app, where, ready, found.server)


def _said(arguments: argparse.Namespace, address: str) -> None:
    import sys
    import webbrowser

    sys.stdout.flush()
    if arguments.open:
        webbrowser.open(address)
