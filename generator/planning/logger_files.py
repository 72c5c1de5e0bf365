"""A simulated run as each of the rig's loggers writes it, with clocks that start when their buttons are pressed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from generator.intake.rig import Rig
from generator.intake.run_logs import of_logger, of_own_log
from generator.intake.session import Run
from generator.planning.sensors import Reading, reading_of

LATEST_START_S = 0.8  # a further logger is started so long after the run's own at most; invented


@dataclass(frozen=True, slots=True, kw_only=True)
class LoggerFile:
    """One log to be written. frame: house units; rig: as this logger knows it; readings: of its channels only."""

    log: str
    frame: pd.DataFrame
    rig: Rig
    readings: Mapping[str, Reading]


def logger_files(
    run: Run,
    logged: pd.DataFrame,
    readings: Mapping[str, Reading],
    rig: Rig,
    pole_pairs: int,
    rng: np.random.Generator,
) -> Iterator[LoggerFile]:
    """The run's own log, then those of its further loggers.

    logged, readings  all channels, as `sensors.log_of` gives them
    rng               draws when each further logger was started; where the run states an offset, that counts
    """
    own = of_own_log(rig)
    yield LoggerFile(log=run.log, frame=logged, rig=own, readings=_of(own, readings))
    for name, further in run.further_logs.items():
        if name not in rig.loggers:
            continue
        late = float(rng.uniform(0.0, LATEST_START_S)) if further.offset_s is None else further.offset_s
        start = logged["time_s"].iloc[0] + late
        seen = of_logger(rig, name)
        made = {
            channel: readings.get(channel) if seen.channels.present()[channel].logger else None
            for channel in seen.channels.present()
        }
        yield LoggerFile(
            log=further.log,
            frame=logged[logged["time_s"] >= start].reset_index(drop=True),
            rig=seen,
            readings={
                channel: reading or reading_of(channel, seen.channels.present()[channel], pole_pairs)
                for channel, reading in made.items()
            },
        )


def _of(rig: Rig, readings: Mapping[str, Reading]) -> dict[str, Reading]:
    return {channel: readings[channel] for channel in rig.channels.present()}
