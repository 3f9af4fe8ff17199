"""The next step of a job and the command for it: what the running stage waits for, else what usually follows."""

from collections.abc import Sequence

from logger.model.job import Stage
from logger.pipeline.proposals import ProposalNow
from logger.pipeline.snapshot import PendingNow
from logger.stages import registry

Step = dict[str, str | None]


def next_step(
    stage: Stage | None, cylinder: bool, pending: PendingNow | None = None, proposals: Sequence[ProposalNow] = ()
) -> Step:
    """stage: running, or the last one; cylinder: whether one is named. proposals: what the readings show and nobody has
    entered, the newest first: that comes before all.

    {"text", "command": None where there is nothing but to wait, "begin": the stage's kind where one is to be begun}.
    """
    if proposals:
        return _step(proposals[0].question, f"rimelog yes {proposals[0].n}")
    if stage is None and not cylinder:
        return _step("Say which cylinder is on the scale", "rimelog cylinder-swap NAME")
    if pending is not None and pending.again:
        text = f"{pending.text}. Begin {registry.label(pending.again).lower()} again"
        return _step(text, f"rimelog stage begin {pending.again}", pending.again)
    if pending is not None:
        return _step(pending.text, f"rimelog mark {pending.mark}" if pending.mark else None)
    following = registry.usual_next(stage.kind if stage is not None else None)
    if following is None:
        return _step("Finish the job and make the report", "rimelog finish")
    ends = (
        f"End {registry.label(stage.kind).lower()}, begin" if stage is not None and stage.ended_ns is None else "Begin"
    )
    return _step(f"{ends} {following.label.lower()}", f"rimelog stage begin {following.kind}", following.kind)


def _step(text: str, command: str | None, begin: str | None = None) -> Step:
    return {"text": text, "command": command, "begin": begin}
