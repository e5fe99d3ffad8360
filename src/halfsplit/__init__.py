"""halfsplit finds the one bad contact, wire, part or module with the fewest minutes of opening things up.

Importing the package loads nothing heavy; each name in ``__all__`` is loaded when it is first used.
"""

from __future__ import annotations

__version__ = "0.1.0"
__all__ = ["__version__"]
