"""What a job's papers need beside the hunt: attachments, material used, travel, advice."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path
from typing import get_args

from halfsplit.errors import NotFound, UserError, nearest
from halfsplit.jobs.attachments import KINDS, kind_of, read_kinds
from halfsplit.jobs.events import AdviceGiven, AttachmentAdded, Happening, PartUsed, Role, TravelDone
from halfsplit.jobs.recording import record
from halfsplit.reports.prices import read_price
from halfsplit.reports.sections import minutes_words, size_words
from halfsplit.service.desk import Desk
from halfsplit.service.results import Attached, AttachmentLine, Noted, PaperLine, Papers
from halfsplit.service.unit_past import today
from halfsplit.service.working import head
from halfsplit.settings import setting

CODES: dict[str, str] = {
    "attachment-role": "An attachment cannot be for that.",
    "attachment-unreadable": "The file to attach cannot be read.",
    "inspection-date": "The day of the next inspection is none of the calendar, or lies behind.",
    "quantity-used": "What was written cannot be a quantity that was used.",
    "setting-size": "A setting that should be a file size is none.",
    "travel-time": "What was written cannot be the minutes or the distance of a drive.",
}

#: Bytes in the units a size may be written in; decimal, as IEC 80000-13 has kB and MB.
_UNITS = {"kb": 1_000, "mb": 1_000_000}
DEFAULT_LARGEST = "25 MB"
#: What can only be meant as a day.
_DAY = re.compile(r"\d{4}-\d{1,2}-\d{1,2}")


def largest_attachment() -> int:
    """The largest attachment in bytes, from HALFSPLIT_LARGEST_ATTACHMENT. Raises UserError("setting-size")."""
    text = setting("HALFSPLIT_LARGEST_ATTACHMENT") or DEFAULT_LARGEST
    match = re.fullmatch(r"(\d+(?:\.\d+)?)\s*(kB|MB)", text, re.IGNORECASE)
    if match is None:
        raise UserError(
            "setting-size", f'HALFSPLIT_LARGEST_ATTACHMENT is "{text}", which is no file size.', "Write it like 25 MB."
        )
    return round(float(match.group(1)) * _UNITS[match.group(2).casefold()])


def attach(
    desk: Desk, file: Path, job_id: str | None = None, caption: str = "", role: str = "", *, name: str = ""
) -> Attached:
    """Keeps a file with a job, open or closed, under its own ``name`` or another. What it is, its content says.

    Nothing is kept when a UserError is raised: "attachment-unreadable", "attachment-too-large",
    "attachment-kind", "attachment-torn", "attachment-empty", "attachment-role", or what the job or shelf says.
    """
    job = desk.job(job_id)
    chosen = _role(role)
    content = _read(file, largest_attachment())
    name = _plain_name(name or file.name)
    media = kind_of(content, read_kinds(setting("HALFSPLIT_ATTACHMENT_KINDS")), name)
    if not role:
        chosen = _role_of(media)
    elif chosen.endswith("-signature") and media not in ("jpeg", "png"):
        raise UserError("attachment-role", f"{name} is no picture, so it is no signature.", "Give a JPEG or PNG.")
    known = any(one.what.sha256 == _sum(content) for one in job.standing if isinstance(one.what, AttachmentAdded))
    sha256 = desk.shelf.put(content)
    event = AttachmentAdded(sha256, name, media, len(content), caption, chosen)
    job = record(desk.store, job, event, when=desk.when(), by=desk.by, sending=desk.sending)
    return Attached(job.id, job.last_number, name, media, chosen, len(content), sha256, known)


def _role_of(media: str) -> Role:
    """What a file is most likely for, by what its content is."""
    sort = KINDS[media].partition("/")[0]
    if sort in ("image", "video"):
        return "picture"
    return "voice" if sort == "audio" else "paper" if media == "pdf" else "log"


def _sum(content: bytes) -> str:
    from halfsplit.jobs.attachments import sha256_of

    return sha256_of(content)


def _role(text: str) -> Role:
    roles: tuple[Role, ...] = get_args(Role)
    for role in roles:
        if text.strip().casefold() in (role, ""):
            return role
    near = nearest(text, roles)
    raise UserError(
        "attachment-role",
        f'A file cannot be attached as "{text}".',
        f"Did you mean {near}?" if near else f"Say {', '.join(roles)}.",
    )


def _read(file: Path, largest: int) -> bytes:
    """The content of a file, of which no more than the limit is ever read."""
    try:
        if file.is_dir():
            raise UserError("attachment-unreadable", f"{file} is a folder.", "Attach its files one by one.")
        with file.open("rb") as stream:
            content = stream.read(largest + 1)
    except FileNotFoundError:
        raise NotFound("file", str(file)) from None
    except OSError as error:
        raise UserError("attachment-unreadable", f"{file} cannot be read: {error.strerror or error}.") from error
    if len(content) > largest:
        raise UserError(
            "attachment-too-large",
            f"{file.name} is larger than {size_words(largest)}, the most that may be attached.",
            "Attach a smaller copy, or raise HALFSPLIT_LARGEST_ATTACHMENT.",
        )
    return content


def _plain_name(name: str) -> str:
    """A file's name as text that every store keeps."""
    plain = name.encode("utf-8", "replace").decode("utf-8")
    return "".join(letter if letter.isprintable() else "?" for letter in plain)[:200]


def part_used(
    desk: Desk, text: str, job_id: str | None = None, *, number: str = "", quantity: str = "1", price: str = ""
) -> Noted:
    """Writes down material used; ``price`` is that of one, with its currency.

    Raises UserError: "quantity-used", "price-shape", "price-currency".
    """
    match = re.fullmatch(r"\d{1,6}(?:[.,]\d{1,3})?", quantity.strip(), re.ASCII)
    count = float(quantity.replace(",", ".")) if match else 0.0
    if count <= 0.0:
        raise UserError("quantity-used", f'"{quantity}" is no quantity.', "Write a number above 0, like 2 or 0.5.")
    money = read_price(price, setting("HALFSPLIT_CURRENCY").upper()) if price.strip() else None
    amount = f"{money.amount:f}" if money else ""
    event = PartUsed(text, number, count, amount, money.currency if money else "")
    return _kept(desk, job_id, event, used_words(event))


def travel(desk: Desk, minutes: str, job_id: str | None = None, *, distance: str = "", note: str = "") -> Noted:
    """Writes down a drive: "35 min" or "1.5 h", and "42 km" if wanted. Raises UserError("travel-time")."""
    spent = re.fullmatch(r"(\d{1,4}(?:[.,]\d{1,2})?)\s*(min|h)", minutes.strip(), re.ASCII)
    if spent is None:
        raise UserError("travel-time", f'"{minutes}" is no time.', "Write it with its unit, like 35 min or 1.5 h.")
    far = re.fullmatch(r"(\d{1,5}(?:[.,]\d{1,2})?)\s*(km|m|mi)", distance.strip(), re.ASCII)
    if distance.strip() and far is None:
        raise UserError("travel-time", f'"{distance}" is no distance.', "Write it with its unit, like 42 km.")
    factor = {"km": 1000.0, "m": 1.0, "mi": 1609.344}  # the international mile, exact since 1959
    event = TravelDone(
        float(spent.group(1).replace(",", ".")) * (60.0 if spent.group(2) == "h" else 1.0),
        float(far.group(1).replace(",", ".")) * factor[far.group(2)] if far else None,
        note,
    )
    return _kept(desk, job_id, event, travel_words(event))


def advise(desk: Desk, text: str, job_id: str | None = None, next_inspection: str = "") -> Noted:
    """Writes down advice for the owner, and by when the machine should be looked at again, in any words.

    Raises UserError("inspection-date") for what is written as a day and is none, or lies behind.
    """
    when = next_inspection.strip()
    if _DAY.fullmatch(when):
        _check_day(desk, when)
    event = AdviceGiven(text, next_inspection)
    return _kept(desk, job_id, event, advice_words(event))


def _check_day(desk: Desk, text: str) -> None:
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise UserError("inspection-date", f'"{text}" is no day.', "Write it like 2031-04-02.") from None
    if day < today(desk):
        raise UserError("inspection-date", f"{day} lies behind.", 'Name a day to come, or say it like "250 h".')


def papers(desk: Desk, job_id: str | None = None) -> Papers:
    """The papers of a job as they stand."""
    job = desk.job(job_id)
    attachments, lines = [], []
    for entry in job.standing:
        match entry.what:
            case AttachmentAdded() as one:
                here, picture = desk.shelf.has(one.sha256), one.media in ("jpeg", "png", "webp")
                attachments.append(
                    AttachmentLine(
                        entry.number, one.name, one.media, one.role, one.caption, one.size_bytes, one.sha256, here,
                        picture,
                    )
                )
            case PartUsed() as one:
                lines.append(PaperLine(entry.number, one.KIND, used_words(one)))
            case TravelDone() as one:
                lines.append(PaperLine(entry.number, one.KIND, travel_words(one)))
            case AdviceGiven() as one:
                lines.append(PaperLine(entry.number, one.KIND, advice_words(one)))
            case _:
                pass
    return Papers(head(desk.standing(job), job), tuple(attachments), tuple(lines))


def attachment(desk: Desk, sha256: str, job_id: str | None = None) -> tuple[AttachmentAdded, bytes]:
    """A file of a job with its content. Raises NotFound, or UserError for one that is damaged."""
    job = desk.job(job_id)
    found = next((one for one in job.attachments if one.sha256 == sha256), None)
    if found is None:
        raise NotFound("attachment", sha256)
    return found, desk.shelf.get(sha256)


def _kept(desk: Desk, job_id: str | None, event: Happening, words: str) -> Noted:
    job = record(desk.store, desk.job(job_id), event, when=desk.when(), by=desk.by, sending=desk.sending)
    return Noted(job.id, job.last_number, words)


def attached_words(what: AttachmentAdded) -> str:
    """An attachment in one line of the log."""
    caption = f", {what.caption}" if what.caption else ""
    role, size = what.role.replace("-", " "), size_words(what.size_bytes)
    return f"attached as {role}: {what.name} ({what.media}, {size}){caption}"


def used_words(what: PartUsed) -> str:
    """Material in one line of the log."""
    number = f" ({what.number})" if what.number else ""
    price = f", {what.unit_price} {what.currency} each" if what.unit_price else ""
    return f"used: {what.quantity:g} x {what.text}{number}{price}"


def travel_words(what: TravelDone) -> str:
    """A drive in one line of the log."""
    far = f", {what.distance_m / 1000:g} km" if what.distance_m is not None else ""
    return f"travel: {minutes_words(what.travel_minutes)}{far}{f', {what.note}' if what.note else ''}"


def advice_words(what: AdviceGiven) -> str:
    """Advice in one line of the log."""
    due = f"; next inspection: {what.next_inspection}" if what.next_inspection else ""
    return f"advice: {what.text}{due}"
