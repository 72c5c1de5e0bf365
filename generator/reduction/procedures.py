"""The register of procedures: a new one is one module and one line here."""

from __future__ import annotations

from collections.abc import Mapping

from generator.intake.contracts import ProcedureContract
from generator.reduction.calibration_run import ZERO
from generator.reduction.drain import DRAIN
from generator.reduction.free_run import FREE_RUN
from generator.reduction.hold import HOLD
from generator.reduction.ramp import RAMP
from generator.reduction.read_off import READ_OFF
from generator.reduction.records import Procedure, ResponseKind
from generator.reduction.soak import SOAK
from generator.reduction.spin_up import SPIN_UP
from generator.reduction.staircase import STAIRCASE

PROCEDURES: Mapping[str, Procedure] = {
    p.name: p for p in (HOLD, SPIN_UP, SOAK, STAIRCASE, READ_OFF, DRAIN, ZERO, FREE_RUN, RAMP)
}


def contracts() -> dict[str, ProcedureContract]:
    """What intake must know of each registered procedure."""
    return {
        name: ProcedureContract(
            plan=procedure.plan,
            needs=procedure.needs,
            response_units={kind.name: kind.unit for kind in procedure.responses},
            of_rig=procedure.of_rig,
        )
        for name, procedure in PROCEDURES.items()
    }


def response_kinds() -> dict[str, ResponseKind]:
    """Every kind of response by its name."""
    return {kind.name: kind for procedure in PROCEDURES.values() for kind in procedure.responses}
