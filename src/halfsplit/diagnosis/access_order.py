"""The order of checks and repairs when things must be opened first: the planner's base order.

Each item has the chance that it ends the search and its minutes; an access step is an item with chance 0
that others need. Steps already open cost nothing and are left out of the order, and so is whatever leads to
no chance at all.

Where every item needs at most one other (after needs that follow from others are dropped) the best order is
found exactly by block merging in O(n log n) (Horn 1972): the item or joined block with the largest chance
per minute is placed if what it needs is placed, otherwise joined behind that. With several needs the
problem is strongly NP-hard (Lawler 1978). There the closed sets of largest chance per minute come first
(Sidney 1975), which is within twice the best (Chekuri and Motwani 1999; Margot, Queyranne and Wang 2003); a
small set is ordered exactly inside.
"""

from __future__ import annotations

import heapq
import math
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING

from halfsplit.diagnosis.order import ratio
from halfsplit.errors import InternalError

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

#: Largest set ordered exactly inside ``base_order``: 2^12 subsets take some tens of milliseconds.
EXACT_INSIDE = 12

#: Largest set ``exact_order`` accepts; 2^18 subsets take seconds.
EXACT_ALONE = 18


@dataclass(frozen=True, slots=True)
class Item:
    """A check or repair with the ``chance`` that it ends the search, or an access step (chance 0)."""

    name: str
    chance: float
    minutes: float
    needs: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Order:
    """Items in order, the expected minutes, and whether handing over follows when all of them failed.

    ``exact`` says whether no better order exists in this model.
    """

    names: tuple[str, ...]
    minutes: float
    hands_over: bool
    exact: bool


def base_order(
    items: Sequence[Item],
    *,
    open_steps: Iterable[str] = (),
    hand_over_minutes: float | None = None,
    mass: float = 1.0,
) -> Order:
    """Return the base order of ``items``, cut where handing over is better than going on.

    ``mass`` is the chance that the job is open at the start; chances may add up to less. Raises
    InternalError for unknown needs, needs in a circle, or numbers below 0.
    """
    net = _Net(items, open_steps)
    tree = all(len(n) <= 1 for n in net.needs)
    if tree:
        parent = [n[0] if n else -1 for n in net.needs]
        order = [i for block in merge_blocks(net.chance, net.minutes, parent) for i in block]
        exact = True
    else:
        order, exact = _by_density(net, list(range(len(net.names))))
    total, best, cut, open_mass = 0.0, math.inf, len(order), mass
    if hand_over_minutes is not None:
        best, cut = mass * hand_over_minutes, 0
    for place, i in enumerate(order, start=1):
        total += net.minutes[i] * open_mass
        open_mass = max(open_mass - net.chance[i], 0.0)
        if hand_over_minutes is not None:
            here = total + open_mass * hand_over_minutes
            if here < best - 1e-12 * max(best, 1.0):  # a saving below rounding is none
                best, cut = here, place
    names = tuple(net.names[i] for i in order[:cut])
    if hand_over_minutes is None:
        return Order(names, total, hands_over=False, exact=exact)
    # A prefix is proved best on trees only; elsewhere a cut inside a block of several needs may miss the
    # best set.
    return Order(names, best, hands_over=True, exact=tree)


def exact_order(items: Sequence[Item], *, open_steps: Iterable[str] = (), mass: float = 1.0) -> Order:
    """Order best under any needs, by a programme over closed subsets (EXACT_ALONE items at most)."""
    net = _Net(items, open_steps)
    if len(net.names) > EXACT_ALONE:
        raise InternalError(
            f"An exact order of {len(net.names)} items was asked for; {EXACT_ALONE} is the limit."
        )
    order = _subset_order(net, list(range(len(net.names))))
    names = tuple(net.names[i] for i in order)
    return Order(names, expected_minutes(items, names, open_steps=open_steps, mass=mass), False, True)


def expected_minutes(
    items: Iterable[Item],
    order: Sequence[str],
    *,
    open_steps: Iterable[str] = (),
    hand_over_minutes: float = 0.0,
    mass: float = 1.0,
) -> float:
    """Expected minutes of any order. Raises InternalError when something is done before what it needs."""
    by_name: Mapping[str, Item] = {item.name: item for item in items}
    reached, total, open_mass = set(open_steps), 0.0, mass
    for name in order:
        item = by_name[name]
        if not item.needs <= reached:
            raise InternalError(f"{name} comes before {sorted(item.needs - reached)}, which it needs.")
        if name not in reached:
            total += item.minutes * open_mass
            open_mass -= item.chance
            reached.add(name)
    return total + max(open_mass, 0.0) * hand_over_minutes


def merge_blocks(chance: Sequence[float], minutes: Sequence[float], parent: Sequence[int]) -> list[list[int]]:
    """Order a forest by block merging: item numbers block by block, best block first.

    ``parent[i]`` must come before i; -1 for none. Ties go to the lower item number. O(n log n).
    """
    count = len(chance)
    p, c = list(chance), list(minutes)
    after, tail = [-1] * count, list(range(count))
    head_of, version, placed = list(range(count)), [0] * count, [False] * count

    def head(i: int) -> int:
        while head_of[i] != i:
            head_of[i] = head_of[head_of[i]]
            i = head_of[i]
        return i

    heap = [(-ratio(p[i], c[i]), i, 0) for i in range(count)]
    heapq.heapify(heap)
    blocks: list[list[int]] = []
    while heap:
        _, i, made = heapq.heappop(heap)
        if made != version[i] or head_of[i] != i or placed[i]:
            continue
        above = head(parent[i]) if parent[i] >= 0 else -1
        if above < 0 or placed[above]:
            placed[i] = True
            block, at = [], i
            while at >= 0:
                block.append(at)
                at = after[at]
            blocks.append(block)
        else:
            head_of[i] = above
            after[tail[above]], tail[above] = i, tail[i]
            p[above] += p[i]
            c[above] += c[i]
            version[above] += 1
            heapq.heappush(heap, (-ratio(p[above], c[above]), above, version[above]))
    return blocks


class _Net:
    """Items that matter, numbered, with needs that do not follow from other needs."""

    def __init__(self, items: Sequence[Item], open_steps: Iterable[str]) -> None:
        by_name = {item.name: item for item in items}
        if len(by_name) != len(items):
            raise InternalError("Two items to be ordered have one name.")
        if any(item.chance < 0 or item.minutes < 0 for item in items):
            raise InternalError("Chances and minutes of items to be ordered must be at least 0.")
        opened = set(open_steps)
        above: dict[str, frozenset[str]] = {}
        for name in _needs_first(by_name, opened):
            direct = by_name[name].needs - opened
            above[name] = direct.union(*(above[n] for n in direct))
        wanted = {name for name in above if by_name[name].chance > 0}
        wanted = wanted.union(*(above[name] for name in wanted))
        self.names = [item.name for item in items if item.name in wanted]
        number = {name: i for i, name in enumerate(self.names)}
        self.chance = [by_name[name].chance for name in self.names]
        self.minutes = [by_name[name].minutes for name in self.names]
        self.needs: list[list[int]] = []
        for name in self.names:
            direct = by_name[name].needs - opened
            implied = frozenset[str]().union(*(above[n] for n in direct))
            self.needs.append(sorted(number[n] for n in direct - implied))


def _needs_first(by_name: Mapping[str, Item], opened: set[str]) -> list[str]:
    """Names with everything they need before them; each item's open needs are left out."""
    waiting: dict[str, int] = {}
    serves: dict[str, list[str]] = {}
    for name, item in by_name.items():
        if name in opened:
            continue
        direct = item.needs - opened
        if not direct <= by_name.keys():
            raise InternalError(
                f"{name} needs {sorted(direct - by_name.keys())}, which is not among the items."
            )
        waiting[name] = len(direct)
        for n in direct:
            serves.setdefault(n, []).append(name)
    ready = deque(name for name, count in waiting.items() if count == 0)
    order: list[str] = []
    while ready:
        name = ready.popleft()
        order.append(name)
        for other in serves.get(name, ()):
            waiting[other] -= 1
            if waiting[other] == 0:
                ready.append(other)
    if len(order) < len(waiting):
        raise InternalError("Items to be ordered need each other in a circle.")
    return order


def _by_density(net: _Net, part: list[int]) -> tuple[list[int], bool]:
    """Order ``part`` by falling density of closed sets, splitting until none is denser than its whole."""
    denser = _denser_than_whole(net, part)
    if denser:
        rest = [i for i in part if i not in denser]
        first, first_exact = _by_density(net, [i for i in part if i in denser])
        second, second_exact = _by_density(net, rest)
        return first + second, first_exact and second_exact
    if len(part) <= EXACT_INSIDE:
        return _subset_order(net, part), True
    return _greedy_order(net, part), False


def _denser_than_whole(net: _Net, part: list[int]) -> set[int]:
    """Return the closed set of largest chance - density * minutes; empty when the whole is densest.

    A closed set of largest weight is what stays with the source in a minimum cut (Picard 1976); here the
    flow is found along shortest paths.
    """
    length = sum(net.minutes[i] for i in part)
    if length <= 0 or len(part) < 2:
        return set()
    density = sum(net.chance[i] for i in part) / length
    weight = {i: net.chance[i] - density * net.minutes[i] for i in part}
    inside = set(part)
    source, sink = -1, -2
    room: dict[int, dict[int, float]] = {node: {} for node in (*part, source, sink)}
    for i in part:
        if weight[i] > 0:
            room[source][i], room[i][source] = weight[i], 0.0
        else:
            room[i][sink], room[sink][i] = -weight[i], 0.0
        for n in net.needs[i]:
            if n in inside:
                room[i][n] = math.inf
                room[n].setdefault(i, 0.0)
    least = 1e-13 * max(
        sum(w for w in weight.values() if w > 0), 1e-300
    )  # below this, a path carries rounding only
    while True:
        came = {source: source}
        queue = deque([source])
        while queue and sink not in came:
            node = queue.popleft()
            for other, left in room[node].items():
                if left > least and other not in came:
                    came[other] = node
                    queue.append(other)
        if sink not in came:
            return {i for i in part if i in came}
        path, node = [], sink
        while node != source:
            path.append((came[node], node))
            node = came[node]
        flow = min(room[a][b] for a, b in path)
        for a, b in path:
            room[a][b] -= flow
            room[b][a] += flow


def _subset_order(net: _Net, part: list[int]) -> list[int]:
    """Order a closed part best, by a programme over its closed subsets; needs outside it count as met."""
    count = len(part)
    local = {i: bit for bit, i in enumerate(part)}
    needs = [sum(1 << local[n] for n in net.needs[i] if n in local) for i in part]
    mass = sum(net.chance[i] for i in part)
    best: dict[int, tuple[float, float, int, int]] = {
        0: (0.0, mass, -1, -1)
    }  # minutes, mass left, last, before
    layer = [0]
    for _ in range(count):
        grown: set[int] = set()
        for have in layer:
            minutes, left, _, _ = best[have]
            for bit, i in enumerate(part):
                if have >> bit & 1 or needs[bit] & ~have:
                    continue
                then = have | 1 << bit
                total = minutes + net.minutes[i] * left
                if then not in best or total < best[then][0] - 1e-15:
                    best[then] = (total, left - net.chance[i], bit, have)
                grown.add(then)
        layer = sorted(grown)
    order, have = [], (1 << count) - 1
    while have:
        _, _, bit, before = best[have]
        order.append(part[bit])
        have = before
    return order[::-1]


def _greedy_order(net: _Net, part: list[int]) -> list[int]:
    """Again and again the one item whose chance over its minutes, with all it still needs, is largest."""
    left, order = set(part), []
    while left:
        best, best_rate, best_path = -1, -1.0, []
        for i in sorted(left):
            path: list[int] = []
            _collect(net, i, left, path)
            rate = ratio(sum(net.chance[j] for j in path), sum(net.minutes[j] for j in path))
            if rate > best_rate:
                best, best_rate, best_path = i, rate, path
        assert best >= 0
        order += best_path
        left -= set(best_path)
    return order


def _collect(net: _Net, item: int, left: set[int], path: list[int]) -> None:
    for n in net.needs[item]:
        if n in left and n not in path:
            _collect(net, n, left, path)
    path.append(item)
