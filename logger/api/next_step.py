"""The usual next step of a job, as a sentence and the command that does it."""

from collections.abc import Sequence

from logger.model.job import Stage
from logger.stages import registry


def next_step(stage: Stage | None, cylinder: bool, marks: Sequence[str]) -> dict[str, str | None]:
    """stage: running, or the last one; cylinder: whether one is named; marks: since the stage began.

    {"text", "command", "begin": the stage's kind where the step is to begin one}.
    """
    running = stage is not None and stage.ended_ns is None
    if stage is None and not cylinder:
        return _step("Say which cylinder is on the scale", "rimelog cylinder-swap NAME")
    if stage is not None and running and stage.kind == "decay-test" and "isolated" not in marks:
        return _step("When the pump is valved off, mark it", "rimelog mark isolated")
    following = registry.usual_next(stage.kind if stage is not None else None)
    if following is None:
        return _step("Finish the job and make the report", "rimelog finish")
    ends = f"End {registry.label(stage.kind).lower()}, begin" if stage is not None and running else "Begin"
    return _step(f"{ends} {following.label.lower()}", f"rimelog stage begin {following.kind}", following.kind)


def _step(text: str, command: str, begin: str | None = None) -> dict[str, str | None]:
    return {"text": text, "command": command, "begin": begin}
