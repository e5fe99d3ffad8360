"""What is built before the package is packed or installed: the web app, and the circuit computation's C pieces."""

from __future__ import annotations

import importlib.util
import subprocess
import sysconfig
from pathlib import Path
from types import ModuleType
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

ROOT = Path(__file__).resolve().parent
KERNEL = Path("src/halfsplit/circuit/kernel")
LIBRARY = "halfsplit-kernel.so"


def client_build() -> ModuleType:
    """scripts/client_build.py, which is a script and in no package."""
    found = importlib.util.spec_from_file_location("client_build", ROOT / "scripts" / "client_build.py")
    if found is None or found.loader is None:
        raise ImportError("scripts/client_build.py is not there")
    module = importlib.util.module_from_spec(found)
    found.loader.exec_module(module)
    return module


class BuildHook(BuildHookInterface[Any]):
    """Builds the app, and the library that makes the wheel one for this system where there is a C compiler."""

    def dependencies(self) -> list[str]:
        """Node as a package, only where it is needed: it is 61 MB."""
        client = client_build()
        return [] if client.is_built() or client.node_on_path() else [client.NODE_PACKAGE]

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:  # noqa: ARG002 # hatchling's form
        """Builds, and stops the installer with one sentence where that is not possible."""
        client = client_build()
        try:
            client.build()
        except client.CannotBuildError as error:
            self.app.abort(str(error))
        subprocess.run([ROOT / "scripts" / "build-kernel"], check=True)  # noqa: S603 # our own script
        if self.target_name != "wheel" or not (ROOT / KERNEL / LIBRARY).is_file():
            return
        system = sysconfig.get_platform().replace("-", "_").replace(".", "_")
        build_data["pure_python"] = False
        build_data["tag"] = f"py3-none-{system}"
        build_data["artifacts"].append(f"/{KERNEL}/{LIBRARY}")
