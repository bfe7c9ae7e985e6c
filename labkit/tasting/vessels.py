"""What is served from; a module of its own, as the tasters' kernel needs it without pandas."""

from __future__ import annotations

from typing import Literal

Vessels = Literal["shared bowls", "a cup each"]
"""One bowl a jug for all tasters under one code, or a cup for each taster under its own code."""
