"""`rimelog`, but every change of an alarm is timed: `python -m tests.benchmarks.timed_daemon TIMES run ...`.

TIMES: a file to which a line "monotonic ns, key, state" is added at once.
"""

import os
import sys
import time
from typing import Any

from logger.cli import main
from logger.model.events import AlarmChanged
from logger.pipeline.judge import Judge

judged = Judge.step


def timed(out: int) -> None:
    """Note every change that the engine takes from now on."""

    def step(self: Judge, *args: Any) -> list[AlarmChanged]:
        changes = judged(self, *args)
        at_ns = time.monotonic_ns()
        for change in changes:
            os.write(out, f"{at_ns} {change.key} {change.to_state.value}\n".encode())
        return changes

    setattr(Judge, "step", step)  # noqa: B010


if __name__ == "__main__":
    timed(os.open(sys.argv.pop(1), os.O_WRONLY | os.O_CREAT | os.O_APPEND))
    main()
