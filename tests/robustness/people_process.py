"""Run as a process of its own by test_kill_people.py: adds people until it is killed, and says who was kept.

    open      the store is open
    kept N    Person N was kept, by the word of the store
"""

from __future__ import annotations

import os
import sys

from halfsplit.jobs.opening import open_store
from halfsplit.jobs.people import People, added, read_people, write_change

WHEN = "2031-04-02T07:15:00Z"


def main() -> None:
    store = open_store(sys.argv[1])
    people = read_people(store)
    os.write(1, b"open\n")
    while True:
        number = people.number + 1

        def one(known: People, number: int = number) -> dict[str, str]:
            return added(known, f"Person {number}", "technician", f"hash {number} " * 20)

        people = write_change(store, people, one, when=WHEN, by="Ola")
        os.write(1, f"kept {number}\n".encode())


main()
