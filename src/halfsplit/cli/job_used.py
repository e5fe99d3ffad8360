"""halfsplit job used: write down material that was used."""

from __future__ import annotations

import argparse

from halfsplit.cli.arguments import Commands, job_command


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = job_command(commands, "used", "write down material that was used", run)
    parser.add_argument("text", nargs="+", help='what it is, like "contact and seal"')
    parser.add_argument("--number", default="", metavar="NUMBER", help="its order number")
    parser.add_argument("--quantity", default="1", metavar="N", help="how many, or how much; 1 when left out")
    parser.add_argument("--price", default="", metavar="PRICE", help='price of one with its currency, like "4.20 EUR"')


def run(arguments: argparse.Namespace) -> int:
    """Writes the material down."""
    from halfsplit.cli.at_desk import at_desk
    from halfsplit.cli.showing import show_noted
    from halfsplit.service.paperwork import part_used

    with at_desk(arguments) as desk:
        found = part_used(
            desk, " ".join(arguments.text), arguments.job,
            number=arguments.number, quantity=arguments.quantity, price=arguments.price,
        )  # fmt: skip
    show_noted(found, as_json=arguments.json)
    return 0
