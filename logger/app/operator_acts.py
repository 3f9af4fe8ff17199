"""What a person asks of the running job, from any command, key or page: done at once, answered when it is stored."""

import asyncio
from collections.abc import Callable
from dataclasses import replace
from typing import Any, Protocol

from logger.alarms.errors import NotAllowed
from logger.api.daemon_port import Refused
from logger.app.recorder import Recorder
from logger.app.relay import Relay
from logger.clock import Clock
from logger.model.cylinder import Cylinder
from logger.model.job import Job
from logger.model.plain import plain
from logger.model.points import Quantity
from logger.model.text import clean
from logger.model.units import NS_PER_S
from logger.model.value import Statement, known, name_of, number
from logger.pipeline.acts import do, findings_shown
from logger.pipeline.engine import Engine
from logger.pipeline.entries import there_are
from logger.pipeline.errors import NotNow, not_now
from logger.pipeline.words import refusal_of

SETTLED_WITHIN_S = 4.0  # an act that needs what is being worked in waits for so long
EARLIER_FACTS = ("customer", "site", "appliance", "system")


class RunningJob(Protocol):
    """What of the daemon an act needs. listed_cylinder: of the user's list, by name."""

    engine: Engine
    clock: Clock
    recorder: Recorder
    relays: list[Relay]
    listed_cylinder: Callable[[str], Cylinder | None]
    earlier: Callable[[Job], dict[str, Any]]

    def poll_relays(self) -> None: ...

    def store_new_events(self) -> None: ...

    async def concluded(self) -> None: ...


async def act(job: RunningJob, action: str, body: dict[str, Any]) -> dict[str, Any]:
    """Answered when the record holds it, or with "stored" false and why it does not. Raises Refused."""
    before = job.recorder.newest_event
    if action == "correct":
        body = await _with_earlier(job, body)
    elif action in ("stage-begin", "stage-end", "yes"):
        await _settled(job.engine)
    try:
        permit = action in ("autostop-arm", "autostop-release")
        answer = _permit(job, action == "autostop-arm", body) if permit else carry_out(job, action, body)
    except NotNow as exc:
        raise refused(exc, job.engine) from exc
    if job.engine.concluding:
        await job.concluded()
    if "ended" in answer:
        answer["findings"] = findings_shown(job.engine, answer["ended"])
    newest = job.recorder.newest_event
    stored = newest is before or await job.recorder.has_stored(newest)
    if not stored:
        answer["text"] += f"\nNOT YET STORED: {job.recorder.shape()['text'].removeprefix('NOT STORED: ')}"
    return {**answer, "stored": stored}


def refused(exc: NotNow, engine: Engine) -> Refused:
    """As the API answers it: the sentence in the user's units, and the reasons as data."""
    return Refused(refusal_of(exc, engine.shown), plain(exc.why))


def carry_out(job: RunningJob, action: str, body: dict[str, Any]) -> dict[str, Any]:
    """Any act but the relays'. Raises NotNow, Refused."""
    if action in ("cylinder", "yes") and "cylinder" not in body:
        name = body.get("name")
        if isinstance(name, str) and name not in job.engine.model.state.cylinders:
            listed = job.listed_cylinder(name)
            if listed is not None:
                body = {**body, "cylinder": plain(listed)}
    if action == "correct" and isinstance(name := body.get("value"), str) and body.get("target") == "swap":
        listed = job.listed_cylinder(name) if name not in job.engine.model.state.cylinders else None
        body = {**body, "value": plain(listed)} if listed is not None else body
    opened = job.engine.facts.opened
    when = _when(body, job.clock.now_ns(), opened.t_ns if opened is not None else 0)
    answer = do(job.engine, action, body, when)
    if answer.get("safety"):
        for relay in job.relays:
            relay.stop()
    job.store_new_events()
    return answer


async def _settled(engine: Engine) -> None:
    """What was corrected, entered late, or recorded before a restart is worked in, or a while has passed."""
    for _ in range(int(SETTLED_WITHIN_S / 0.05)):
        if engine.catching_up_reason is None:
            return
        await asyncio.sleep(0.05)


async def _with_earlier(job: RunningJob, body: dict[str, Any]) -> dict[str, Any]:
    """A correction of whose appliance this is, with what its earlier jobs tell."""
    body = {key: value for key, value in body.items() if key != "earlier"}
    now, value = job.engine.facts.job(), body.get("value")
    if body.get("target") == "job" and body.get("fact") in EARLIER_FACTS and now is not None and isinstance(value, str):
        name, text = body["fact"], clean(value, 200)
        if name == "customer":
            then = replace(now, customer=text)
        else:
            then = replace(now, site=text) if name == "site" else replace(now, appliance=text)
        found = await asyncio.get_running_loop().run_in_executor(None, job.earlier, then)
        body["earlier"] = plain(found)
    return body


def _permit(job: RunningJob, arm: bool, body: dict[str, Any]) -> dict[str, Any]:
    """body: operator; hold, the name of what is meant, where the rig has several."""
    name, operator = body.get("hold", ""), body.get("operator", "")
    if not isinstance(name, str) or not isinstance(operator, str):
        raise not_now("act.text", name_of("field", "hold" if not isinstance(name, str) else "operator"))
    if not job.relays:
        raise not_now("autostop.no_output")
    meant = [r for r in job.relays if name.casefold() in ("", r.output.hold.casefold())]
    if not meant or (arm and len(meant) > 1):
        raise not_now("autostop.which", *there_are(r.output.hold for r in job.relays))
    operator = clean(operator, 300)
    try:
        said = [relay.arm(operator) if arm else relay.release(operator) for relay in meant]
    except NotAllowed as exc:
        raise NotNow(Statement("autostop.not_armed"), *exc.why) from exc
    job.poll_relays()
    return {"text": "\n".join(said)}


def _when(body: dict[str, Any], now_ns: int, opened_ns: int) -> int:
    """When it happened: now, "ago_s" seconds ago, or at "at_ns", UTC, in ns. Raises NotNow."""
    ago_s, at_ns = body.get("ago_s", 0.0), body.get("at_ns")
    if at_ns is not None:
        ago_s = (now_ns - at_ns) / NS_PER_S if type(at_ns) is int else None
    longest_s = max(0.0, (now_ns - opened_ns) / NS_PER_S)
    if isinstance(ago_s, bool) or not isinstance(ago_s, int | float) or not 0 <= ago_s <= max(longest_s, 0.0):
        raise not_now("act.time", number("began", Quantity.TIME, known(longest_s, "s")))
    return now_ns - int(ago_s * NS_PER_S)
