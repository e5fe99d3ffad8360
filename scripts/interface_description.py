"""Writes the OpenAPI description the web app is typed by; with --check, stops with 1 when it is stale."""

from __future__ import annotations

import json
import sys

from generated_page import ROOT, write_or_check

PAGE = ROOT / "src" / "halfsplit" / "web" / "client" / "openapi.json"


def main() -> int:
    sys.path.insert(0, str(ROOT / "src"))
    from halfsplit.web.describing import description

    found = description()
    wanted = json.dumps(found, ensure_ascii=False, indent=1, sort_keys=True) + "\n"
    return write_or_check(PAGE, wanted, f"{len(found['paths'])} addresses")


if __name__ == "__main__":
    raise SystemExit(main())
