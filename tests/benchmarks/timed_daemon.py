"""`rimelog`, but every change of an alarm is timed: `python -m tests.benchmarks.timed_daemon TIMES run ...`.

TIMES: a file to which a line "monotonic ns, key, state" is added at once.
"""

import os
import sys
import time

from logger.alarms.memory import AlarmState
from logger.cli import main
from logger.model.events import AlarmChanged
from logger.pipeline.engine import Engine

step_alarms = Engine.step_alarms


def timed(out: int) -> None:
    """Note every change that the engine takes from now on."""

    def step(self: Engine, stepped: tuple[AlarmState, list[AlarmChanged]]) -> None:
        step_alarms(self, stepped)
        at_ns = time.monotonic_ns()
        for change in stepped[1]:
            os.write(out, f"{at_ns} {change.key} {change.to_state.value}\n".encode())

    setattr(Engine, "step_alarms", step)  # noqa: B010


if __name__ == "__main__":
    timed(os.open(sys.argv.pop(1), os.O_WRONLY | os.O_CREAT | os.O_APPEND))
    main()
