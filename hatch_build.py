"""Compiles the circuit computation's C pieces when the package is built or installed, where there is a compiler."""

from __future__ import annotations

import subprocess
import sysconfig
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

KERNEL = Path("src/halfsplit/circuit/kernel")
LIBRARY = "halfsplit-kernel.so"


class KernelHook(BuildHookInterface):  # type: ignore[misc,type-arg] # hatchling has no types
    """Puts the compiled library into the wheel, which then is one for this system."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Compiles, and says what the wheel holds; without a compiler the wheel is one for every system."""
        del version
        root = Path(self.root)
        subprocess.run([root / "scripts" / "build-kernel"], check=True)  # noqa: S603 # our own script
        if self.target_name != "wheel" or not (root / KERNEL / LIBRARY).is_file():
            return
        system = sysconfig.get_platform().replace("-", "_").replace(".", "_")
        build_data["pure_python"] = False
        build_data["tag"] = f"py3-none-{system}"
        build_data["artifacts"].append(f"/{KERNEL}/{LIBRARY}")
