"""halfsplit serve: the web app and its HTTP interface, on this computer alone."""

from __future__ import annotations

import argparse

from halfsplit.cli.arguments import Commands, command

#: Where the app is found when no port is given; of the range nobody owns (IANA, RFC 6335).
PORT = 49240


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = command(
        commands, "serve", "serve the web app on this computer", run,
        "Serves the web app for phone-sized screens and its HTTP interface over the same jobs as the other commands, "
        "on this computer alone (127.0.0.1), until interrupted.",
    )  # fmt: skip
    parser.add_argument(
        "--machine", action="append", default=[], metavar="FOLDER",
        help="a machine jobs may be opened on, besides the shipped ones; several times",
    )  # fmt: skip
    parser.add_argument(
        "--port", type=int, default=PORT, metavar="NUMBER", help=f"the port, {PORT} when left out; 0 takes a free one"
    )
    parser.add_argument(
        "--demo", action="store_true",
        help="serve with the job of `halfsplit demo` opened and nothing else, and keep nothing",
    )  # fmt: skip
    parser.add_argument("--open", action="store_true", help="open the app in the browser")
    parser.add_argument("--by", metavar="NAME", default="", help="who is working, for the record")
    parser.add_argument("--describe", action="store_true", help="print the interface's OpenAPI description and leave")


def run(arguments: argparse.Namespace) -> int:
    """Serves until interrupted."""
    import sys
    import tempfile
    import webbrowser
    from contextlib import ExitStack, closing

    from halfsplit.cli.at_desk import at_desk, machine_path
    from halfsplit.cli.console import print_json, say
    from halfsplit.service.beside import Standby
    from halfsplit.service.board import Board
    from halfsplit.web import running
    from halfsplit.web.app import create_app
    from halfsplit.web.hunts import Hunts

    if arguments.describe:
        from halfsplit.web.describing import description

        print_json(description())
        return 0
    board = Board(tuple(machine_path(one) for one in arguments.machine))

    def ready(address: str) -> None:
        if arguments.json:
            print_json({"address": address})
        else:
            say(f"halfsplit is at {address} until you press Ctrl-C. Only this computer can reach it.")
        sys.stdout.flush()
        if arguments.open:
            webbrowser.open(address)

    with ExitStack() as stack:
        # Split off before there are threads, the port or the store.
        standby = stack.enter_context(closing(Standby()))
        where = stack.enter_context(running.listen(arguments.port))
        if arguments.demo:
            arguments.home = stack.enter_context(tempfile.TemporaryDirectory(prefix="halfsplit-demo-"))
        desk = stack.enter_context(at_desk(arguments))
        desk.begin = standby.begin
        if arguments.demo:
            from halfsplit.cli.demo import open_for_the_app

            open_for_the_app(desk)
        running.run(create_app(Hunts(desk, board)), where, ready)
    return 0
