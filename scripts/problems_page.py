"""Writes docs/problems.md from the CODES dictionaries in the package.

With --check it stops with 1 when the page is stale.

A module that raises coded errors has a top-level dictionary CODES: code -> one sentence, or code -> an object
or tuple whose first three texts are title, explanation and example.
"""

from __future__ import annotations

import ast
import dataclasses
import importlib
import sys
from collections.abc import Mapping

from generated_page import ROOT, write_or_check

PAGE = ROOT / "docs" / "problems.md"

HEAD = """# Problem codes

Every mistake halfsplit finds in what is typed or written in a file has a code, which stays the same between
versions. On the command line a mistake of this kind ends with exit status 2. Exit status 70 is a mistake in
halfsplit itself.
This page is written by `make pages`.
"""


def modules_with_codes() -> list[str]:
    """Names of the package's modules that assign CODES at their top level, in order."""
    found = []
    for path in sorted((ROOT / "src" / "halfsplit").rglob("*.py")):
        for node in ast.parse(path.read_text("utf-8"), str(path)).body:
            targets = node.targets if isinstance(node, ast.Assign) else [getattr(node, "target", None)]
            if any(isinstance(target, ast.Name) and target.id == "CODES" for target in targets):
                parts = path.relative_to(ROOT / "src").with_suffix("").parts
                found.append(".".join(parts[:-1] if parts[-1] == "__init__" else parts))
    return found


def explained(value: object) -> str:
    """The explanation of a code, whatever the registry keeps it in."""
    if isinstance(value, str):
        return value
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        value = dataclasses.astuple(value)
    if isinstance(value, tuple | list):
        title, *rest = [str(each) for each in value if each]
        example = f" Example: {rest.pop()}" if len(rest) > 1 else ""
        return f"{title}. {' '.join(rest)}{example}"
    raise TypeError(f"CODES holds a {type(value).__name__}; a text or texts are wanted")


def page() -> str:
    sys.path.insert(0, str(ROOT / "src"))
    parts = [HEAD]
    owner: dict[str, str] = {}
    for name in modules_with_codes():
        codes: Mapping[str, object] = importlib.import_module(name).CODES
        parts.append(f"\n## {name.removeprefix('halfsplit.')}\n\n| code | meaning |\n| --- | --- |\n")
        for code in sorted(codes):
            if code in owner:
                sys.exit(
                    f'Code "{code}" stands in {owner[code]} and in {name}; give one of them another name.'
                )
            owner[code] = name
            said = " ".join(explained(codes[code]).split()).replace("|", "\\|")
            parts.append(f"| `{code}` | {said} |\n")
    return "".join(parts)


def main() -> int:
    wanted = page()
    return write_or_check(PAGE, wanted, f"{wanted.count(chr(10) + '| `')} codes")


if __name__ == "__main__":
    raise SystemExit(main())
