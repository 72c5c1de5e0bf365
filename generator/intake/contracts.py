"""What intake must know of the procedures, which are registered further down the flow."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pydantic import BaseModel


@dataclass(frozen=True, slots=True, kw_only=True)
class ProcedureContract:
    """What intake must know of a procedure: its plan's model, the channels it needs, its responses' units.

    of_rig  True where its runs belong to the stand and need no treatment
    """

    plan: type[BaseModel]
    needs: tuple[str, ...]
    response_units: Mapping[str, str]
    of_rig: bool = False


Contracts = Mapping[str, ProcedureContract]
