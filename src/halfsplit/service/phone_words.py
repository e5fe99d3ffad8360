"""What a phone says by itself while the server is out of reach: the steps of its table in words, cautions first.

Nobody knows beforehand where the machine stands when a step comes up on the phone, so every step is told as from
nowhere: everything closed, nothing set, every danger still to be ended. A caution is rather said once too often.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import numpy as np

from halfsplit.diagnosis.checks import Check
from halfsplit.diagnosis.explaining import Opening, check_words, explain_repair, opening_line
from halfsplit.diagnosis.hunt import Hunt
from halfsplit.diagnosis.naming import function_name
from halfsplit.diagnosis.offers import Situation
from halfsplit.service.asking import asked_of_check, asked_of_repair
from halfsplit.service.results import to_data
from halfsplit.service.working import check_step, repair_step

#: The likeliest repairs that are told in words; the others of a large machine wait for the server. No source.
MOST_REPAIRS = 150
ANYWHERE = Situation()


def as_it_is(value: Any) -> Any:
    """What is said, in the words in which it was made."""
    return value


def words_of(hunt: Hunt, checks: Iterable[Check], told: Callable[[Any], Any] = as_it_is) -> dict[str, Any]:
    """The words for the checks of a table and its likeliest repairs, as JSON values.

    ``told`` puts a step, or a sentence, into the language of whoever reads it.
    """
    machine, space = hunt.bench.machine, hunt.bench.space
    chosen = list(checks)
    odds = hunt.belief.group_odds()
    likeliest = np.argsort(-odds, kind="stable")[:MOST_REPAIRS].tolist()
    rows = hunt.belief.row_odds()
    return {
        "functions": {
            one.id: {
                "name": function_name(machine, one.id), "words": list(one.words), "minutes": one.minutes,
                "shown": [told(word) for word in one.words],
            }
            for one in machine.functions.values()
        },
        "connectors": sorted(machine.connectors),
        "zones": {one.id: one.name or one.id for one in machine.zones.values()},
        "access": {
            one.id: {
                "name": told(one.name or one.id), "open_min": one.open_min, "close_min": one.close_min,
                "line": told(opening_line(Opening(one.id, one.name, one.open_min, one.close_min))),
            }
            for one in machine.access.values()
        },
        "checks": {
            one.id: {
                "step": to_data(told(check_step(hunt, check_words(hunt, one, ANYWHERE)))),
                "asked": to_data(
                    told(asked_of_check(machine, one, comes_and_goes=hunt.complaint.comes_and_goes))
                ),
            }
            for one in chosen
        },
        "repairs": {
            space.groups[at].id: {
                "step": to_data(told(repair_step(explain_repair(hunt, space.groups[at], ANYWHERE), None))),
                "asked": to_data(told(asked_of_repair(machine, space.groups[at].place))),
                "text": told(space.fault_of_row(space.foremost_row(at, rows)).text),
            }
            for at in likeliest
        },
    }  # fmt: skip
