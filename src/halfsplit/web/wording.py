"""Which fields of an answer are words a person reads, by the result they stand in.

Everything else is an id, a number written out, a name from a machine file, or somebody's own words, and is the same in
every language. Where a field holds a name or a sentence as it comes, it stands here: a name has no row in a catalogue.
A test holds both tables against the interface's description, so that a new field is put into one of them.
"""

from __future__ import annotations

WORDS: dict[str, tuple[str, ...]] = {
    "Choice": ("label",),
    "CircuitPath": ("repair", "text"),
    "ClosingLine": ("what", "text"),
    "CorrectionSheet": ("repair", "fault", "where", "correction", "cautions", "steps"),
    "EarlierLine": ("complaint", "cause", "work"),
    "Face": ("half",),
    "Failure": ("what", "hint"),
    "Fault": ("what",),
    "FoundBy": ("words",),
    "FoundVolts": ("words", "against"),
    "GoalLine": ("words",),
    "InspectLine": ("why", "look_for"),
    "JobCard": ("complaint",),
    "JobHead": ("complaint",),
    "Kept": ("recorded",),
    "Lead": ("words", "wires"),
    "Log": ("cause",),
    "LogLine": ("words",),
    "MaterialLine": ("item", "amount", "source"),
    "MeaningLine": ("repair",),
    "NewsLine": ("words",),
    "NextStep": ("words", "reason", "surprise", "fixed_idea"),
    "OpeningLine": ("name",),
    "OtherStep": ("short",),
    "OutcomeLine": ("label",),
    "PaperLine": ("words",),
    "PathPoint": ("words", "next_words"),
    "Proof": ("advice", "history", "repairs", "runs"),
    "ProvokeLine": ("caution", "how", "source"),
    "ReadAgain": ("subject", "before", "expected", "after"),
    "RoundLine": ("expected",),
    "StateLine": ("expected",),
    "Step": ("title", "short", "cautions", "steps", "answers", "material", "look_for"),
    "Suspect": ("repair", "text"),
    "TestimonyLine": ("subject", "found", "expected", "weight"),
    "TryAgain": ("subject", "before", "after"),
    "UnitSeen": ("back_from", "may_be", "recent"),
    "ValueLine": ("item", "words", "condition", "source", "status"),
    "WhyLines": ("repair", "text", "rival_repair", "worked_on"),
    "Working": ("open_now", "recorded"),
    "ZoneSpot": ("to_open",),
    "ZoneSuspect": ("repair",),
}
