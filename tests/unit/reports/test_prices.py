"""Money as people write it, kept exact."""

from __future__ import annotations

from decimal import Decimal

import pytest

from halfsplit.errors import UserError
from halfsplit.reports.prices import Money, read_price, read_tax, tax_words


@pytest.mark.parametrize(
    ("text", "amount", "currency"),
    [("4.20 EUR", "4.20", "EUR"), ("eur 4,20", "4.20", "EUR"), ("1200 JPY", "1200", "JPY"), ("-3 SEK", "-3.00", "SEK"),
     ("0.5KWD", "0.500", "KWD")],
)  # fmt: skip
def test_prices_are_read_and_written_with_the_digits_of_their_currency(text: str, amount: str, currency: str) -> None:
    assert str(read_price(text)) == f"{amount} {currency}"


@pytest.mark.parametrize(
    ("text", "code"),
    [("4.20", "price-currency"), ("", "price-shape"), ("cheap", "price-shape"), ("4.2.0 EUR", "price-shape"),
     ("EUR 4 EUR", "price-shape"), ("1e9 EUR", "price-shape"), ("nan EUR", "price-shape"), ("٣ EUR", "price-shape")],
)  # fmt: skip
def test_what_is_no_price_is_refused(text: str, code: str) -> None:
    with pytest.raises(UserError) as caught:
        read_price(text)
    assert caught.value.code == code


def test_another_currency_than_the_one_allowed_is_refused() -> None:
    with pytest.raises(UserError) as caught:
        read_price("4.20 SEK", "EUR")
    assert caught.value.code == "price-currency"


def test_halves_go_up_and_nothing_is_lost_on_the_way() -> None:
    assert str(Money(Decimal("0.35"), "EUR").times(Decimal("0.3"))) == "0.11 EUR"
    assert str(Money(Decimal("0.05"), "EUR").times(Decimal("0.5"))) == "0.03 EUR"
    third = Money(Decimal("0.10"), "EUR")
    assert sum((third.amount for _ in range(3)), Decimal(0)) == Decimal("0.30")


def test_a_tax_is_read_in_percent_only() -> None:
    assert read_tax("20 %") == Decimal("0.2")
    assert tax_words(read_tax("7,5%")) == "7.5 %"
    for text in ("0.2", "20", "%", "a %"):
        with pytest.raises(UserError) as caught:
            read_tax(text)
        assert caught.value.code == "tax-shape"
