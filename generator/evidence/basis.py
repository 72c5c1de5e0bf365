"""Where the scatter behind an interval comes from."""

from __future__ import annotations

from typing import Literal

Basis = Literal["between runs", "within one run", "rig repeatability"]
