"""Every code a machine file's problems carry, with what it means and how it is put right."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Rule:
    """One code.

    ``title`` says it in a few words, ``explanation`` in a sentence or two, ``fix`` shows how it is put right.
    """

    title: str
    explanation: str
    fix: str


CODES: dict[str, Rule] = {
    "file-missing": Rule(
        "No such file",
        "The machine folder has no machine.yaml, or the wire list it names is not beside it.",
        "Put wires.csv beside machine.yaml, or write the wires in machine.yaml.",
    ),
    "file-unreadable": Rule(
        "File cannot be opened",
        "The system refuses to read the file.",
        "Check that it is a file and that you may read it.",
    ),
    "file-too-large": Rule(
        "File too large",
        "The file is larger, or holds more values, than any machine needs.",
        "Split off what does not describe the machine.",
    ),
    "file-empty": Rule(
        "File is empty",
        "There is nothing in the file.",
        "Begin with format: halfsplit-machine/1.",
    ),
    "not-utf-8": Rule(
        "Not UTF-8 text",
        "A byte in the line is not UTF-8; old spreadsheets save ohm signs and umlauts that way.",
        "Save the file again with the encoding UTF-8.",
    ),
    "character": Rule(
        "Control character",
        "A character that no text may hold stands in the file.",
        "Delete the character.",
    ),
    "yaml-syntax": Rule(
        "Not YAML",
        "The line breaks the rules of YAML: often a missing quote, bracket or colon, or wrong indentation.",
        'Put text that holds a colon or begins with + - * & in quotes: "+".',
    ),
    "tab": Rule(
        "Tab in the indentation",
        "YAML indents with spaces only.",
        "Replace the tab by two spaces.",
    ),
    "alias": Rule(
        "Anchor or alias",
        "Anchors and aliases of YAML are not used in machine files.",
        "Write the value out where it is needed.",
    ),
    "tag": Rule(
        "Tag",
        "Tags of YAML (words that begin with !) are not used in machine files.",
        "Delete the tag.",
    ),
    "second-document": Rule(
        "Second document",
        "A line of three dashes starts a second document.",
        "Delete the line.",
    ),
    "too-deep": Rule(
        "Too many levels",
        "Mappings and lists lie inside each other deeper than any machine file needs.",
        "Look for brackets that are not closed.",
    ),
    "key-not-a-word": Rule(
        "Key is not a word",
        "A list or mapping stands where the name before the colon belongs.",
        "Give the value a name: F1: {kind: fuse}.",
    ),
    "duplicate-key": Rule(
        "Key stands twice",
        "The same name stands twice in one mapping; only one of the two could count.",
        "Delete one, or give the second thing its own id.",
    ),
    "format-missing": Rule(
        "Format missing",
        "The file does not say in which format it is written.",
        "format: halfsplit-machine/1",
    ),
    "format-unknown": Rule(
        "Format not known",
        "What stands after format: is not a format of machine files.",
        "format: halfsplit-machine/1",
    ),
    "format-newer": Rule(
        "Format is newer",
        "The file was written for a newer program.",
        "Update halfsplit.",
    ),
    "unknown-key": Rule(
        "Key not known",
        "Nothing of that name belongs here.",
        "rating: 15 A instead of ratting: 15 A",
    ),
    "missing-key": Rule(
        "Key missing",
        "Something that has no sensible default was left out.",
        "Add the key that is named.",
    ),
    "wrong-type": Rule(
        "Wrong shape",
        "A list stands where one text belongs, or the other way round.",
        "zones: [cab, roof] is a list, zone: cab is one word.",
    ),
    "unknown-word": Rule(
        "Word not known",
        "The value must be one of a few words.",
        "faces: up, side or down",
    ),
    "bad-id": Rule(
        "Not an id",
        "Ids are made of letters, digits, - and _; the dot and the colon are needed for points (X12.3:p).",
        "X12-A instead of X12.A",
    ),
    "duplicate-id": Rule(
        "Id used twice",
        "Parts, connectors and wires are all named in checks, so each needs a name of its own.",
        "Rename one of the two.",
    ),
    "unit-missing": Rule(
        "Unit missing",
        "A number stands without its unit.",
        "rating: 15 A instead of rating: 15",
    ),
    "unknown-unit": Rule(
        "Unit not known",
        "The unit is not one that this quantity is measured in.",
        "4.7 kohm instead of 4.7 kohn",
    ),
    "wrong-quantity": Rule(
        "Wrong quantity",
        "The value is measured in units of something else.",
        "power: 55 W instead of power: 4.6 A",
    ),
    "not-a-number": Rule(
        "Not a number",
        "A number was expected.",
        "spn: 520201",
    ),
    "comma-ambiguous": Rule(
        "Comma may mean two things",
        "A comma before three digits may be a decimal comma or a thousands mark.",
        "1250 ohm or 1.25 ohm instead of 1,250 ohm",
    ),
    "out-of-range": Rule(
        "Out of range",
        "The value lies outside what a thing of this kind can have.",
        "rating: 15 A instead of rating: 15 kA",
    ),
    "thresholds-reversed": Rule(
        "Thresholds reversed",
        "Of two thresholds the upper lies below the lower: high_above and low_below, pull_in and "
        "drop_out, full and weak, the ends of a range.",
        "high_above: 6 V, low_below: 4 V",
    ),
    "no-parts": Rule(
        "No parts",
        "The machine has no parts.",
        "parts: {BAT: {kind: battery}}",
    ),
    "no-battery": Rule(
        "No battery",
        "No part is a battery, so nothing can be fed.",
        "BAT: {kind: battery}",
    ),
    "no-functions": Rule(
        "No functions",
        "Without something a person can observe there is nothing to diagnose by.",
        "functions: {lamp: {watch: H1}}",
    ),
    "zone-missing": Rule(
        "Zone missing",
        "The machine has several zones and this thing does not say in which it is.",
        "zone: cab",
    ),
    "no-such-zone": Rule(
        "No such zone",
        "A zone is named that is not under zones.",
        "Correct the spelling or add the zone.",
    ),
    "no-such-access": Rule(
        "No such access step",
        "An access step is named that is not under access.",
        "Correct the spelling or add the step.",
    ),
    "no-such-caution": Rule(
        "No such caution",
        "A caution is named that is not under cautions.",
        "Correct the spelling or add the caution.",
    ),
    "no-such-danger": Rule(
        "No such danger",
        "A danger is named that is not under dangers; engine alone needs no entry there.",
        "Correct the spelling or add the danger with what ends it.",
    ),
    "danger-nowhere": Rule(
        "Danger of no state",
        "A zone or access step is kept out of while something that no state says of itself, so the mark "
        "would keep nobody out.",
        "sweep: {like: idle, dangers: [brushes]}",
    ),
    "no-such-run": Rule(
        "No such run",
        "A wire names a run that is not under runs.",
        "Correct the spelling or add the run.",
    ),
    "access-loop": Rule(
        "Access steps wait for each other",
        "Following after: from step to step comes back to where it began.",
        "Delete the after: that is wrong.",
    ),
    "unknown-exposure": Rule(
        "Exposure not known",
        "Exposures are splash, pooling, mud, salt, heat and vibration.",
        "exposure: {salt: high}",
    ),
    "unknown-level": Rule(
        "Level not known",
        "Levels are none, low, medium and high.",
        "salt: high instead of salt: severe",
    ),
    "no-such-family": Rule(
        "No such connector family",
        "The family is neither one that comes with halfsplit nor one of the file's own.",
        "family: sealed-1.6",
    ),
    "bad-sealing": Rule(
        "Not a sealing code",
        "Sealing is a code of IEC 60529 or ISO 20653, or open.",
        "sealing: IP67",
    ),
    "bad-grid": Rule(
        "Not a grid",
        "A grid is rows x columns; cavities: [[A, B], [C, D]] names them instead.",
        "grid: 2x6",
    ),
    "no-such-connector": Rule(
        "No such connector",
        "A plug names a connector that is not under connectors.",
        "Add X21: {} under connectors.",
    ),
    "no-such-cavity": Rule(
        "No such cavity",
        "The connector's grid has no cavity of that name.",
        "Correct the cavity, or make the grid larger.",
    ),
    "cavity-two-pins": Rule(
        "Two pins in one cavity",
        "Two parts' pins would sit in the same cavity.",
        "Correct the cavity of one of them.",
    ),
    "cavity-two-wires": Rule(
        "Two wires in one cavity",
        "A cavity takes one wire on each side.",
        "Join the two in a splice and run one wire on.",
    ),
    "inline-with-part": Rule(
        "Part in an inline connector",
        "An inline connector joins two harnesses; parts plug into device connectors.",
        "Delete kind: inline, or end wires there instead of plugging the part in.",
    ),
    "half-missing": Rule(
        "Half missing",
        "A wire that ends in an inline connector must say in which half.",
        "X5.3:p for the pin half, X5.3:s for the socket half",
    ),
    "half-on-device": Rule(
        "Half on a device connector",
        "The other half of a device connector belongs to the part, so wires name no half.",
        "X21.1 instead of X21.1:p",
    ),
    "half-on-part": Rule(
        "Half on a part",
        "Only inline connectors have halves.",
        "K1.30 instead of K1.30:p",
    ),
    "unknown-kind": Rule(
        "Kind of part not known",
        "The kind is not in the table of kinds.",
        "kind: solenoid",
    ),
    "no-such-body": Rule(
        "No such body",
        "A stud is bolted to a body that is not under machine: bodies.",
        "bodies: [frame, cab]",
    ),
    "no-such-part": Rule(
        "No such part",
        "A state or function names a part that is not under parts.",
        "Correct the spelling or add the part.",
    ),
    "no-such-pin": Rule(
        "No such pin",
        "The part has no pin of that name.",
        "K1.86 instead of K1.68",
    ),
    "pin-plugged-twice": Rule(
        "Pin plugged twice",
        "One pin stands in two cavities.",
        "Delete the cavity that is wrong.",
    ),
    "pin-two-duties": Rule(
        "Pin with two duties",
        "A controller's pin is input and output, or something else, at once.",
        "Correct one of the two pins.",
    ),
    "switch-contacts": Rule(
        "Contacts of a switch",
        "Contacts are written as pairs of pins and the positions that join them.",
        'contacts: "30-15: run start; 30-50: start"',
    ),
    "switch-positions": Rule(
        "Positions of a switch",
        "A switch needs two positions or more, each once, the resting one first.",
        "positions: [off, on]",
    ),
    "wires-name": Rule(
        "Name of the wire list",
        "The wire list is a csv file in the machine's own folder.",
        "wires: wires.csv",
    ),
    "csv-syntax": Rule(
        "Wire list cannot be read",
        "A quote in the csv file is not closed, or stands in the wrong place.",
        "Close the quote.",
    ),
    "csv-header": Rule(
        "Header of the wire list",
        "The first row must name the columns; wire, from and to are needed.",
        "wire,circuit,from,to,size,length,colour,run",
    ),
    "unknown-column": Rule(
        "Column not known",
        "A column of the wire list is not one of those that are read, or stands twice.",
        "colour instead of color",
    ),
    "short-row": Rule(
        "Row too short",
        "The row has fewer cells than the header.",
        "Leave a cell empty by two commas side by side.",
    ),
    "long-row": Rule(
        "Row too long",
        "The row has more cells than the header; often a comma inside a value.",
        "Put the value in quotes, or write a decimal point.",
    ),
    "wire-end-missing": Rule(
        "Wire end missing",
        "The wire does not say where it begins or ends.",
        "from: F5.2",
    ),
    "point-syntax": Rule(
        "Not a point",
        "Points are X12.3, X5.3:p, K1.30 or G3.",
        "X12.3 instead of X12/3",
    ),
    "no-such-point": Rule(
        "No such part or connector",
        "A wire ends on something that is neither under parts nor under connectors.",
        "Correct the spelling or add the part.",
    ),
    "pin-is-plugged": Rule(
        "Pin is reached through a connector",
        "The pin is plugged into a connector, so the wire ends in the connector's cavity.",
        "X21.1 instead of H3.+",
    ),
    "wire-to-itself": Rule(
        "Wire to itself",
        "Both ends of the wire are the same point.",
        "Correct one end.",
    ),
    "wire-to-nowhere": Rule(
        "Wire to nowhere",
        "The wire ends in a cavity with nothing on the other side.",
        "Plug the pin in, add the wire of the other half, or delete the wire.",
    ),
    "pin-unwired": Rule(
        "Needed pin without a wire",
        "A pin that the part cannot do without has no wire.",
        "Add the wire.",
    ),
    "no-such-bus": Rule(
        "No such bus",
        "A controller is on a bus that is not under machine: buses.",
        "buses: [CAN1]",
    ),
    "condition-syntax": Rule(
        "Condition cannot be read",
        "Conditions are names joined by and, or, not and parentheses.",
        'when: "in.KEY and not msg.pump_stop"',
    ),
    "condition-name": Rule(
        "Name in a condition",
        "The name means nothing to this controller, or its input has no range to be above or below.",
        "in.KEY, msg.NAME, heard.PART, open.OUT, trip.OUT, above.PIN, below.PIN, alive",
    ),
    "no-such-message": Rule(
        "No such message",
        "Nobody on a bus of this controller sends the message.",
        "Add it under sends: of the controller that sends it.",
    ),
    "code-out-of-range": Rule(
        "Code out of range",
        "An SPN is 0 to 524287 and an FMI 0 to 31 (SAE J1939-73).",
        "spn: 520201, fmi: 5",
    ),
    "address-out-of-range": Rule(
        "Address out of range",
        "A source address on a bus is 0 to 253 (SAE J1939-81).",
        "bus: {CAN1: {address: 3}}",
    ),
    "address-twice": Rule(
        "Address given twice",
        "Two controllers on one bus have the same source address.",
        "Look both up: every controller on a bus has an address of its own.",
    ),
    "no-such-state": Rule(
        "No such state",
        "A state is named that is not under states.",
        "Correct the spelling or add the state.",
    ),
    "like-loop": Rule(
        "States like each other",
        "Following like: from state to state comes back to where it began.",
        "Delete the like: that is wrong.",
    ),
    "not-settable": Rule(
        "Part cannot be set",
        "States set switches, contact sensors, senders, sensors and alternators; everything else "
        "follows from those.",
        "set: {S1: on}",
    ),
    "no-such-position": Rule(
        "No such position",
        "The part cannot be set to that.",
        "set: {S1: run}",
    ),
    "watches-nothing": Rule(
        "Watches nothing",
        "A person can watch a load, a relay, a controller or a message, and this is none of them.",
        "watch: H3, or watch: pump_wanted@ECU2",
    ),
    "wrong-measure": Rule(
        "Wrong measure",
        "The part cannot be watched in this way.",
        "measure: alive for a controller",
    ),
    "expected-word": Rule(
        "Expected is on or off",
        "What is expected in a state is on or off.",
        "expected: {work: on, key-on: off}",
    ),
    "nothing-powered": Rule(
        "State that feeds nothing",
        "In the state nothing carries current although the state sets something; found by machine "
        "check, once the circuit is solved.",
        "Correct what the state sets, or the contacts of the switch.",
    ),
}
