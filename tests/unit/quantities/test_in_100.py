"""Shares as a person reads them."""

from __future__ import annotations

import pytest

from halfsplit.quantities import in_100


@pytest.mark.parametrize(
    ("share", "words"),
    [
        (0.0, "0 in 100"), (0.004, "under 1 in 100"), (0.734, "73 in 100"), (0.994, "99 in 100"),
        (0.9951, "over 99 in 100"), (1.0, "100 in 100"),
    ],
)  # fmt: skip
def test_a_share_is_never_quite_all_or_none_unless_it_is(share: float, words: str) -> None:
    assert in_100(share) == words
