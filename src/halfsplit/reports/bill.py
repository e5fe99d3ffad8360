"""The bill of a job: work, travel and material at the shop's rates, with tax."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from halfsplit.errors import UserError
from halfsplit.jobs.events import PartUsed, TravelDone
from halfsplit.jobs.model import Job
from halfsplit.reports.prices import Money, rounded, tax_words


@dataclass(frozen=True, slots=True)
class Rates:
    """What the shop charges. None is not charged or not known; ``tax`` is a share."""

    hour: Money | None = None
    travel_hour: Money | None = None
    tax: Decimal | None = None


@dataclass(frozen=True, slots=True)
class PriceLine:
    """One line of the bill: quantity with its unit, price of one, and amount."""

    text: str
    quantity: str
    unit_price: str
    amount: str


@dataclass(frozen=True, slots=True)
class Prices:
    """The bill. ``tax`` and ``total`` are "" when no tax is set; ``left_out`` names what has no price."""

    lines: tuple[PriceLine, ...]
    net: str
    tax_name: str
    tax: str
    total: str
    left_out: tuple[str, ...]


def bill(job: Job, rates: Rates) -> Prices | None:
    """The bill of a job, or None when nothing has a price.

    Raises UserError("price-currency") when prices are in more than one currency.
    """
    lines: list[tuple[PriceLine, Money]] = []
    left_out: list[str] = []

    def add(text: str, quantity: Decimal, unit: str, price: Money | None) -> None:
        if price is None:
            left_out.append(text)
            return
        amount = price.times(quantity)
        lines.append((PriceLine(text, f"{_short(quantity)}{unit}", str(price), str(amount)), amount))

    work = Decimal(str(round(job.minutes, 3))) / 60
    if work:
        add("Work", work.quantize(Decimal("0.01")), " h", rates.hour)
    driven = sum(e.what.travel_minutes for e in job.standing if isinstance(e.what, TravelDone))
    if driven:
        add("Travel", (Decimal(str(round(driven, 3))) / 60).quantize(Decimal("0.01")), " h", rates.travel_hour)
    for entry in job.standing:
        if isinstance(entry.what, PartUsed):
            part = entry.what
            price = Money(Decimal(part.unit_price), part.currency) if part.unit_price else None
            name = f"{part.text} ({part.number})" if part.number else part.text
            add(name, Decimal(str(part.quantity)), "", price)
    if not lines:
        return None
    currencies = sorted({amount.currency for _, amount in lines})
    if len(currencies) > 1:
        raise UserError(
            "price-currency",
            f"The prices of job {job.id} are in {' and '.join(currencies)}.",
            "Give all in one currency; HALFSPLIT_CURRENCY keeps them so.",
        )
    currency = currencies[0]
    net = sum((amount.amount for _, amount in lines), Decimal(0))
    tax = rounded(net * rates.tax, currency) if rates.tax is not None else None
    return Prices(
        lines=tuple(line for line, _ in lines),
        net=str(Money(net, currency)),
        tax_name=f"Tax {tax_words(rates.tax)}" if rates.tax is not None else "",
        tax=str(Money(tax, currency)) if tax is not None else "",
        total=str(Money(net + tax, currency)) if tax is not None else "",
        left_out=tuple(left_out),
    )


def _short(number: Decimal) -> str:
    text = f"{number:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
