"""The usual next step of a job, as a sentence and the command that does it."""

from collections.abc import Sequence

from logger.model.job import Stage
from logger.pipeline.proposals import ProposalNow
from logger.stages import registry


def next_step(
    stage: Stage | None, cylinder: bool, marks: Sequence[str], proposals: Sequence[ProposalNow] = ()
) -> dict[str, str | None]:
    """stage: running, or the last one; cylinder: whether one is named; marks: since the stage began. proposals: what
    the readings show and nobody has entered, the newest first: that comes before the usual.

    {"text", "command", "begin": the stage's kind where the step is to begin one}.
    """
    if proposals:
        return _step(proposals[0].question, f"rimelog yes {proposals[0].n}")
    running = stage is not None and stage.ended_ns is None
    if stage is None and not cylinder:
        return _step("Say which cylinder is on the scale", "rimelog cylinder-swap NAME")
    known = registry.definition(stage.kind) if stage is not None and running else None
    if known is not None and known.needs is not None and not _holds(known.needs[0], marks):
        return _step(known.needs[1], f"rimelog mark {known.needs[0]}")
    following = registry.usual_next(stage.kind if stage is not None else None)
    if following is None:
        return _step("Finish the job and make the report", "rimelog finish")
    ends = f"End {registry.label(stage.kind).lower()}, begin" if stage is not None and running else "Begin"
    text = f"{ends} {following.label.lower()}"
    if known is not None and known.wait:
        text = f"{known.wait}, then {text[:1].lower()}{text[1:]}"
    return _step(text, f"rimelog stage begin {following.kind}", following.kind)


def _holds(mark: str, marks: Sequence[str]) -> bool:
    """Whether it was marked; a recovery machine that was started again is not stopped."""
    for one in reversed(marks):
        if one == mark:
            return True
        if (one, mark) == ("machine-started", "machine-stopped"):
            return False
    return False


def _step(text: str, command: str, begin: str | None = None) -> dict[str, str | None]:
    return {"text": text, "command": command, "begin": begin}
