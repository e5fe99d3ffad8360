"""Money that stays exact: decimal amounts of one currency, and percentages."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal

from halfsplit.errors import UserError

#: Codes of UserErrors raised here, each with one sentence.
CODES: dict[str, str] = {
    "price-currency": "A price has no currency, or another one than the rest of the report.",
    "price-shape": "What was written cannot be read as a price.",
    "tax-shape": "What was written cannot be read as a tax in percent.",
}

#: Digits after the point where they are not two, by ISO 4217 code; from memory of the standard's list.
_DIGITS = {
    "BHD": 3, "CLP": 0, "ISK": 0, "IQD": 3, "JOD": 3, "JPY": 0, "KRW": 0, "KWD": 3, "LYD": 3, "OMR": 3,
    "PYG": 0, "TND": 3, "UGX": 0, "VND": 0, "XAF": 0, "XOF": 0,
}  # fmt: skip
_PRICE = re.compile(r"(?:([A-Za-z]{3})\s*)?(-?\d{1,12}(?:[.,]\d{1,4})?)(?:\s*([A-Za-z]{3}))?", re.ASCII)
_TAX = re.compile(r"(\d{1,3}(?:[.,]\d{1,3})?)\s*%", re.ASCII)


@dataclass(frozen=True, slots=True)
class Money:
    """An amount of a currency, named by its ISO 4217 code."""

    amount: Decimal
    currency: str

    def times(self, factor: Decimal) -> Money:
        """The product, rounded to what can be paid; halves go up, common practice of invoices."""
        return Money(rounded(self.amount * factor, self.currency), self.currency)

    def __str__(self) -> str:
        return f"{rounded(self.amount, self.currency):f} {self.currency}"


def rounded(amount: Decimal, currency: str) -> Decimal:
    """An amount with the digits its currency has."""
    return amount.quantize(Decimal(1).scaleb(-_DIGITS.get(currency, 2)), ROUND_HALF_UP)


def read_price(text: str, currency: str = "") -> Money:
    """A price as people write it: "4.20 EUR", "EUR 4,20".

    ``currency`` is the only one allowed, when given. Raises UserError: "price-shape" for what is no price,
    "price-currency" for one without a currency or with another one.
    """
    match = _PRICE.fullmatch(text.strip())
    if match is None or (match.group(1) and match.group(3)):
        raise UserError("price-shape", f'"{text}" is not a price.', "Write the amount and its currency, like 4.20 EUR.")
    found = (match.group(1) or match.group(3) or "").upper()
    if not found:
        raise UserError("price-currency", f'"{text}" has no currency.', f'Like: "{text.strip()} {currency or "EUR"}".')
    if currency and found != currency:
        raise UserError("price-currency", f'"{text}" is not in {currency}.', f"Give the price in {currency}.")
    return Money(Decimal(match.group(2).replace(",", ".")), found)


def read_tax(text: str) -> Decimal:
    """A tax as a share, "20 %" is 0.20. Raises UserError("tax-shape")."""
    match = _TAX.fullmatch(text.strip())
    if match is None:
        raise UserError("tax-shape", f'"{text}" is not a tax.', "Write it in percent, like 20 %.")
    return Decimal(match.group(1).replace(",", ".")) / 100


def tax_words(share: Decimal) -> str:
    """A tax for a person: "20 %"."""
    return f"{(share * 100).normalize():f} %"
