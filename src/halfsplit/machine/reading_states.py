"""Reading states and functions, and making them where a sketch leaves them out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from halfsplit.machine.fields import Fields, Report, check_identifier, near, shape, short
from halfsplit.machine.model import ENGINE, Function, Part, Place, State, Value
from halfsplit.machine.reading_parts import setting_value
from halfsplit.machine.source import Text

MEASURES = ("volts", "amps", "alive", "pulled", "message")
LOADS = ("lamp", "led", "motor", "solenoid", "buzzer", "heater")
#: Share of the rated value from which a thing works and from which it works weakly; all from memory.
LEVELS: Mapping[str, tuple[float, float]] = {"lamp": (0.6, 0.12), "led": (0.75, 0.30), "motor": (0.6, 0.25)}
OTHER_LEVELS = (0.7, 0.3)
#: How a person says off, weak and on.
WORDS: Mapping[str, tuple[str, str, str]] = {
    "lamp": ("dark", "dim", "lit"),
    "led": ("dark", "dim", "lit"),
    "motor": ("dead", "slow", "runs"),
    "solenoid": ("dead", "weak", "pulls"),
    "buzzer": ("silent", "faint", "sounds"),
    "heater": ("cold", "weak", "heats"),
    "controller": ("dead", "unsteady", "alive"),
    "relay": ("rests", "chatters", "pulls"),
    "message": ("missing", "unsteady", "arrives"),
}
DEFAULT_MINUTES = 0.5  # from memory: to set the machine so, or to look


@dataclass(slots=True)
class _Draft:
    """A state before ``like`` is followed."""

    fields: Fields
    name: str
    own: dict[str, Value]
    like: str
    minutes: float
    cautions: tuple[str, ...]
    dangers: tuple[str, ...]
    place: Place


def read_states(top: Fields, parts: Mapping[str, Part]) -> dict[str, State]:
    """The states by id; without any, "rest" and (when there is a switch) "on"."""
    drafts: dict[str, _Draft] = {}
    for name, value, place in top.mapping("states"):
        check_identifier(top.report, name, place, "state")
        drafts[name] = _draft(Fields(top.report, value, f"state {short(name)}", place), name, parts, place)
    if not drafts:
        return _made_states(parts)
    for draft in drafts.values():
        if draft.like:
            top.report.refer("state", draft.like, draft.fields.what, draft.fields.place_of("like"))
    _like_loops(top.report, drafts)
    found = {}
    for name, draft in drafts.items():
        settings = _followed(drafts, name)
        dangers = _dangers(drafts, name, settings, parts)
        found[name] = State(name, draft.name, settings, draft.minutes, draft.cautions, dangers, draft.place)
    return found


def _draft(fields: Fields, name: str, parts: Mapping[str, Part], place: Place) -> _Draft:
    own: dict[str, Value] = {}
    for part, value, at in fields.mapping("set"):
        fields.report.refer("part", part, fields.what, at)
        if not isinstance(value, Text):
            said = f"{fields.what}, {short(part)} must be set to one word or value, not {shape(value)}."
            fields.report.add("wrong-type", value.place, said, key="set")
        elif part in parts:
            made = setting_value(fields.report, parts[part], value.text, at, fields.what)
            if made is not None:
                own[part] = made
    draft = _Draft(
        fields=fields,
        name=fields.text("name", name),
        own=own,
        like=fields.text("like"),
        minutes=fields.quantity("minutes", "duration", DEFAULT_MINUTES * 60, 0.0, 86400.0) / 60.0,
        cautions=fields.references("cautions", "caution"),
        dangers=fields.references("dangers", "danger"),
        place=place,
    )
    fields.done()
    return draft


def _chain(drafts: Mapping[str, _Draft], name: str) -> list[str]:
    """``name`` and the states it is like, one after the other, until the last or until one comes back."""
    chain = [name]
    while (like := drafts[chain[-1]].like) in drafts:
        chain.append(like)
        if like in chain[:-1]:
            break
    return chain


def _like_loops(report: Report, drafts: Mapping[str, _Draft]) -> None:
    """Note each loop once, at the state of it that comes first in the file."""
    seen: set[str] = set()
    for name, draft in drafts.items():
        chain = _chain(drafts, name)
        if name not in seen and chain.count(name) > 1:
            said = f"{draft.fields.what} is like itself, through {' -> '.join(chain)}."
            report.add("like-loop", draft.fields.place_of("like"), said, key="like")
            seen.update(chain)


def _followed(drafts: Mapping[str, _Draft], name: str) -> dict[str, Value]:
    """The settings of ``name`` with those of the states it is like laid underneath."""
    settings: dict[str, Value] = {}
    for each in reversed(_chain(drafts, name)):
        settings.update(drafts[each].own)
    return settings


def _dangers(
    drafts: Mapping[str, _Draft], name: str, settings: Mapping[str, Value], parts: Mapping[str, Part]
) -> tuple[str, ...]:
    """What ``name`` and the states it is like say, and the engine where an alternator runs.

    A state keeps the dangers of those it is like: forgetting one must not send anyone in.
    """
    runs = any(
        value == "running" and part in parts and parts[part].kind == "alternator"
        for part, value in settings.items()
    )
    said = [danger for each in reversed(_chain(drafts, name)) for danger in drafts[each].dangers]
    return tuple(dict.fromkeys([*([ENGINE] if runs else []), *said]))


def _made_states(parts: Mapping[str, Part]) -> dict[str, State]:
    second = {}
    for part in parts.values():
        positions = part.text("positions").split() if part.kind == "switch" else []
        if len(positions) > 1:
            second[part.id] = positions[1]
    states = {"rest": State("rest", "Everything at rest", {})}
    if second:
        states["on"] = State("on", "Every switch in its second position", dict(second))
    return states


def read_functions(top: Fields, parts: Mapping[str, Part]) -> dict[str, Function]:
    """The functions by id."""
    found = {}
    for name, value, place in top.mapping("functions"):
        check_identifier(top.report, name, place, "function")
        fields = Fields(top.report, value, f"function {short(name)}", place)
        function = _function(fields, name, parts, place)
        if function is not None:
            fields.done()
            found[name] = function
    return found


def _function(fields: Fields, name: str, parts: Mapping[str, Part], place: Place) -> Function | None:
    report = fields.report
    watch = fields.text("watch").replace(" ", "")
    if not watch:
        fields.missing("watch", 'a part like "watch: H1", or "message@controller"')
        return None
    at = fields.place_of("watch")
    kind = "message"
    if "@" in watch:
        report.places["watch", name] = at
    else:
        report.refer("part", watch, fields.what, at)
        kind = parts[watch].kind if watch in parts else ""
    usual = _usual_measure(kind)
    if not usual and kind:
        can = ", ".join([*LOADS, "relay", "controller"])
        said = f"{fields.what} watches {watch}, a {kind}; a person can watch {can}"
        report.add("watches-nothing", at, f"{said} or a message.", key="watch")
        return None
    measure = fields.choice("measure", MEASURES, usual or "volts")
    if kind and measure not in _measures(kind):
        said = f"{fields.what}: a {kind} is watched by {' or '.join(_measures(kind))}, not by {measure}."
        report.add("wrong-measure", fields.place_of("measure"), said, key="measure")
        measure = usual
    full, weak = LEVELS.get(kind, OTHER_LEVELS) if measure in ("volts", "amps") else OTHER_LEVELS
    made = Function(
        id=name,
        name=fields.text("name", name),
        watch=watch,
        measure=measure,
        full=fields.quantity("full", "share", full, 0.01, 1.0),
        weak=fields.quantity("weak", "share", weak, 0.0, 1.0),
        expected=_expected(fields),
        words=_words(fields, WORDS.get(kind, ("off", "weak", "on"))),
        minutes=fields.quantity("minutes", "duration", DEFAULT_MINUTES * 60, 0.0, 86400.0) / 60.0,
        place=place,
    )
    if made.full < made.weak:
        key = "full" if fields.has("full") else "weak"
        said = f"{fields.what}: full ({made.full:.0%}) must not be less than weak ({made.weak:.0%})."
        report.add("thresholds-reversed", fields.place_of(key), said, key=key)
    left_out = ("measure", "full", "weak", "expected", "words", "minutes")
    return replace(made, assumed=frozenset(key for key in left_out if not fields.has(key)))


def _usual_measure(kind: str) -> str:
    if kind in LOADS:
        return "volts"
    return {"controller": "alive", "relay": "pulled", "message": "message"}.get(kind, "")


def _measures(kind: str) -> tuple[str, ...]:
    return ("volts", "amps") if kind in LOADS else (_usual_measure(kind),)


def _expected(fields: Fields) -> dict[str, str]:
    found = {}
    for state, value, place in fields.mapping("expected"):
        fields.report.refer("state", state, fields.what, place)
        word = value.text if isinstance(value, Text) else ""
        if word in ("on", "off"):
            found[state] = word
        else:
            said = f"{fields.what}, expected in {short(state)} is on or off, not {shape(value)}."
            fields.report.add("expected-word", place, said, near(word, ("on", "off")), "expected")
    return found


def _words(fields: Fields, usual: tuple[str, str, str]) -> tuple[str, str, str]:
    words = fields.words("words")
    if not words:
        return usual
    if len(words) != 3:
        said = f"{fields.name('words')} must be three words, for off, weak and on."
        fields.report.add("wrong-type", fields.place_of("words"), said, key="words")
        return usual
    return words[0].text, words[1].text, words[2].text
