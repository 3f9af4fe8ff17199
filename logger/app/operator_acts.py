"""What a person asks of the running job, from any command, key or page: done at once, answered when it is stored."""

from collections.abc import Callable
from typing import Any, Protocol

from logger.alarms.errors import AlarmError
from logger.api.daemon_port import Refused
from logger.app.recorder import Recorder
from logger.app.relay import Relay
from logger.clock import Clock
from logger.model.cylinder import Cylinder
from logger.model.plain import plain
from logger.model.text import clean
from logger.model.units import NS_PER_S
from logger.pipeline.acts import NotNow, do
from logger.pipeline.engine import Engine
from logger.stages.words import refusal_of

MAX_AGO_S = 4 * 3600.0  # an act can be entered this much later than it was done


class RunningJob(Protocol):
    """What of the daemon an act needs. kept_cylinder: of the user's list, by name."""

    engine: Engine
    clock: Clock
    recorder: Recorder
    relays: list[Relay]
    kept_cylinder: Callable[[str], Cylinder | None]

    def poll_relays(self) -> None: ...

    def store_new_events(self) -> None: ...


async def act(job: RunningJob, action: str, body: dict[str, Any]) -> dict[str, Any]:
    """Answered when the record holds it, or with "stored" false and why it does not. Raises Refused."""
    before = job.recorder.newest_event
    if action in ("permit-arm", "permit-release"):
        answer = _permit(job, action == "permit-arm", body)
    else:
        answer = carry_out(job, action, body)
    newest = job.recorder.newest_event
    stored = newest is before or await job.recorder.has_stored(newest)
    if not stored:
        answer["text"] += f"\nNOT YET STORED: {job.recorder.shape()['text'].removeprefix('NOT STORED: ')}"
    return {**answer, "stored": stored}


def carry_out(job: RunningJob, action: str, body: dict[str, Any]) -> dict[str, Any]:
    """Any act but the relays'. Raises Refused."""
    if action == "cylinder" and "cylinder" not in body:
        name = body.get("name")
        if isinstance(name, str) and name not in job.engine.model.state.cylinders:
            kept = job.kept_cylinder(name)
            if kept is not None:
                body = {**body, "cylinder": plain(kept)}
    try:
        answer = do(job.engine, action, body, _when(body, job.clock.now_ns()))
    except NotNow as exc:
        raise Refused(str(exc)) from exc
    job.store_new_events()
    return answer


def _permit(job: RunningJob, arm: bool, body: dict[str, Any]) -> dict[str, Any]:
    """body: operator; hold, the name of what is meant, where the rig has several."""
    name, operator = body.get("hold", ""), body.get("operator", "")
    if not isinstance(name, str) or not isinstance(operator, str):
        raise Refused("hold and operator are text")
    known_names = ", ".join(r.output.hold for r in job.relays)
    if not known_names:
        raise Refused("the rig file names no [[device.output]]: this program closes no contact")
    meant = [r for r in job.relays if name.casefold() in ("", r.output.hold.casefold())]
    if not meant or (arm and len(meant) > 1):
        raise Refused(f"name which one; the rig has: {known_names}")
    operator = clean(operator, 300)
    try:
        said = [relay.arm(operator) if arm else relay.release(operator) for relay in meant]
    except AlarmError as exc:
        raise Refused(f"not armed: {refusal_of(exc, job.engine.shown)}") from exc
    job.poll_relays()
    return {"text": "\n".join(said)}


def _when(body: dict[str, Any], now_ns: int) -> int:
    """When it happened: now, "ago_s" seconds ago, or at "at_ns", UTC. Raises Refused."""
    ago_s, at_ns = body.get("ago_s", 0.0), body.get("at_ns")
    if at_ns is not None:
        ago_s = (now_ns - at_ns) / NS_PER_S if type(at_ns) is int else None
    if isinstance(ago_s, bool) or not isinstance(ago_s, int | float) or not 0 <= ago_s <= MAX_AGO_S:
        hours = MAX_AGO_S / 3600
        raise Refused(f"an act is entered at once or up to {hours:.0f} h later: ago_s or at_ns does not fit")
    return now_ns - int(ago_s * NS_PER_S)
