"""The interface's own OpenAPI description, without any job or machine at hand."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from halfsplit.jobs.memory import MemoryStore
from halfsplit.service.board import Board
from halfsplit.service.desk import Desk
from halfsplit.web.app import create_app
from halfsplit.web.hunts import Hunts


def description() -> dict[str, Any]:
    """The OpenAPI description of the interface under /api."""
    with MemoryStore() as store:
        hunts = Hunts(Desk(store, lambda: datetime.now(UTC)), Board(with_shipped=False))
        found: dict[str, Any] = create_app(hunts, built=None).openapi()
        return found
