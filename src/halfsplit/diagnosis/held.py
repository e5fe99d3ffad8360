"""What is worked out once for a machine and held for all its hunts, the newest so many."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from threading import Lock
from typing import Generic, TypeVar

Key = TypeVar("Key", bound=Hashable)
Value = TypeVar("Value")


class Held(Generic[Key, Value]):
    """Values by key; the oldest is let go when there are more than ``most``. Safe to share between threads."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._values: dict[Key, Value] = {}
        self._lock = Lock()

    def get(self, key: Key, make: Callable[[], Value]) -> Value:
        """The value of a key, made where there is none; two threads may both make it, and one is kept."""
        found = self._values.get(key)
        if found is None:
            made = make()
            with self._lock:
                found = self._values.setdefault(key, made)
                while len(self._values) > self._most:
                    del self._values[next(iter(self._values))]
        return found

    def __len__(self) -> int:
        return len(self._values)
