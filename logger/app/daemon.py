"""One running job: its engine, its file, its devices, its API. Everything happens in one asyncio loop."""

import asyncio
import logging
import platform
from collections.abc import AsyncIterator, Callable
from itertools import islice
from pathlib import Path
from typing import Any

from logger.alarms.defaults import CLOCK, DISK, PERMIT, STORE
from logger.alarms.errors import AlarmError
from logger.alarms.memory import AlarmRow
from logger.alarms.permit import Mode
from logger.alarms.states import STANDING, UNSEEN
from logger.api.daemon_port import Refused
from logger.api.shape import shape
from logger.app import AppError
from logger.app.device_feed import DeviceFeed
from logger.app.relay import Relay
from logger.app.restart import CatchUp
from logger.app.trend import Trends, rows
from logger.clock import Clock, Trouble, utc_offset_s, utc_text
from logger.evidence.chain import event_data
from logger.evidence.segments import SegmentBuilder
from logger.model.codec import event_bytes
from logger.model.cylinder import Cylinder
from logger.model.events import (
    ClockFit,
    ClockNoted,
    Event,
    GapNoted,
    JobOpened,
    RigLoaded,
    RunBegun,
    RunEnded,
)
from logger.model.job import Job
from logger.model.plain import from_plain, plain
from logger.model.points import POINTS
from logger.model.records import EVENT, NewRecord, Record
from logger.model.rig import Rig
from logger.model.sample import PointSample, Scan, scans
from logger.model.text import clean
from logger.model.units import NS_PER_S, user_unit
from logger.model.value import known, unknown
from logger.model.version import SOFTWARE
from logger.pipeline.acts import NotNow, do
from logger.pipeline.engine import Engine
from logger.store.errors import StoreError
from logger.store.reader import StoreReader
from logger.store.status import DISK_FULL, GONE, LOW_SPACE, REFUSED, Problem
from logger.store.writer import StoreWriter

log = logging.getLogger(__name__)

FOLLOWER_QUEUE = 1000
# Each tick submits a second, so there is about one commit a second; a shortest distance between commits as long as a
# tick's would let submissions fall behind by nearly another second.
COMMIT_S = 0.2
FITS_EVERY_NS = 3600 * NS_PER_S
ANSWER_S = 3.0  # an act that is not in the file by then is answered all the same, with a word on that
ANSWER_IN_TROUBLE_S = 0.5
NOT_STORED = (DISK_FULL, REFUSED, GONE)
MAX_AGO_S = 4 * 3600.0  # an act can be told this much later than it was done


class Daemon:
    """Control of logger.api.daemon_port. Make it with `open`, then `tick` once a second until `close`."""

    def __init__(self, job_id: str, path: Path, clock: Clock, speed: float = 1.0) -> None:
        self.job_id, self.path, self.clock, self.speed = job_id, path, clock, speed
        self.engine = Engine(live=False)
        self.engine.analyse_every_ns = max(self.engine.analyse_every_ns, int(NS_PER_S * speed))
        self.engine.model.slack_s = 2.0 * speed if speed > 1 else 0.0
        self.feeds: dict[str, DeviceFeed] = {}
        self.relays: list[Relay] = []
        self.awake: dict[str, Any] = {}
        self.channels: dict[str, str | None] = {}  # how someone is reached: channel -> its problem
        self.catch_up: CatchUp | None = None  # of a job that goes on: what was before
        self.stopping = asyncio.Event()
        self.more_cylinders: Callable[[str], Cylinder | None] = lambda name: None
        self.earlier: Callable[[Job], dict[str, Any]] = lambda job: {}  # what earlier jobs tell, fields of JobOpened
        self._segments = SegmentBuilder()
        self._trends = Trends(path)
        self._scans: list[Scan] = []
        self._followers: set[_Follower] = set()
        self._loop = asyncio.get_running_loop()
        self._store_problem: Problem | None = None
        self._last_record = 0
        self._newest_event = b""  # as handed to the writer
        self._awaited: list[tuple[bytes, asyncio.Future[None]]] = []  # events whose acts are answered once stored
        self._next_fits_ns = clock.now_ns() + FITS_EVERY_NS // 12
        self.writer: StoreWriter | None = None

    # -- beginning and end ---------------------------------------------------------------------------------------

    def open(
        self,
        rig: Rig,
        job: Job | None,
        cylinders: tuple[Cylinder, ...] = (),
        profiles: dict[str, Any] | None = None,
        sign: Callable[[bytes], str] | None = None,
        anchors: Path | None = None,
        accept_lost_tail: bool = False,
        commit_interval_s: float = COMMIT_S,
    ) -> None:
        """Begin a job, or go on with the one in the file (then job may be None). Raises StoreError, AppError."""
        existed, now_ns = self.path.exists(), self.clock.now_ns
        self.writer = StoreWriter.open(
            self.path, job_id=self.job_id, now_ns=now_ns, sign=sign, on_commit=self._committed,
            on_problem=self._trouble_with_store, accept_lost_tail=accept_lost_tail, repair_damaged=existed,
            commit_interval_s=commit_interval_s, anchors=anchors, checkpoint_interval_s=max(1.0, 60.0 / self.speed),
        )  # fmt: skip
        newest_ns = 0
        if existed:
            self.catch_up = CatchUp(self.path, self.engine)
            self._last_record, newest_ns = self.catch_up.last_id, self.catch_up.newest_ns
            self.clock.go_on_after(self.engine.model.now_ns)
        if self.engine.model.state.job is None:
            if job is None:
                self.writer.close()
                if self.catch_up is not None:
                    self.catch_up.close()
                raise AppError(f"{self.path} holds no job; name a job file or a refrigerant")
            self.emit(
                JobOpened(
                    t_ns=now_ns(), job=job, cylinders=cylinders, profiles=profiles or {},
                    blends=tuple(self._own_blends(job, cylinders)), **self.earlier(job),
                )
            )  # fmt: skip
        self.emit(
            RunBegun(
                t_ns=now_ns(), software=SOFTWARE, python=platform.python_version(), system=platform.system(),
                speed=self.speed, continued=existed, utc_offset_s=utc_offset_s(),
            )
        )  # fmt: skip
        self.emit(RigLoaded(t_ns=now_ns(), rig=rig))
        if self.clock.problem is not None:
            self.emit(ClockNoted(t_ns=now_ns(), cause=self.clock.problem, offset_ns=self.clock.offset_ns))
        if newest_ns:
            self.emit(GapNoted(t_ns=now_ns(), cause="the program was not running", from_ns=newest_ns))
        self.engine.go_live()
        if cylinders and self.engine.model.state.on_scale is None:
            self._do("cylinder", {"name": cylinders[0].name})

    def _own_blends(self, job: Job, cylinders: tuple[Cylinder, ...]) -> list[dict[str, Any]]:
        """The user's own blends that the job rests on, whole: so that it can be computed anew anywhere."""
        inside = (name for c in cylinders for name in (c.refrigerant, *c.candidates) if name is not None)
        return self.engine.user_catalogue.blend_records((job.refrigerant, *inside))

    async def close(self) -> None:
        """Everything stored; then the file is let go."""
        if self.catch_up is not None:
            self.catch_up.close()
        self.emit(RunEnded(t_ns=self.clock.now_ns()))
        if self.writer is not None:
            await self._loop.run_in_executor(None, self.writer.close)

    # -- time ----------------------------------------------------------------------------------------------------

    def tick(self) -> None:
        """Once a second of the record's time."""
        for trouble in self.clock.tick():
            self._clock_trouble(trouble)
        now_ns = self.clock.now_ns()
        self._health()
        self.engine.tick(now_ns)
        self._drain()
        # By force: what came since the last tick is at risk until it is stored, however early this tick is.
        self._submit(self._segments.flush(now_ns, force=True))
        self._tick_fits(now_ns)
        self.engine.judge.health[CLOCK] = known(1.0, "1")

    def look_at_relays(self) -> None:
        """Several times a second: what is held closed goes on being so, or is opened."""
        if not self.relays:
            return
        model = self.engine.model
        model.now_ns = max(model.now_ns, self.clock.now_ns())
        for relay in self.relays:
            relay.look(self._loop.time())
        why = [f"{r.output.hold}: {'; '.join(r.hold.why)}" for r in self.relays if r.hold.mode is Mode.STOPPED]
        self.engine.judge.health[PERMIT] = unknown("1", ", ".join(why)) if why else known(1.0, "1")

    def publish(self) -> None:
        """The present state to everyone who follows."""
        if self._followers:
            self._tell("snapshot", self._last_record, self.snapshot())

    def status_line(self) -> str:
        """One line on how the job stands, for a message that all is still fine."""
        state = self.snapshot()
        stage, view = state["stage"], state["view"]
        head = state["live"].get(view["headline"])
        parts = [f"job {self.job_id}", stage["label"] if stage and stage["running"] else "no stage"]
        if head is not None:
            parts.append(f"{head['label']} {head['text']}")
        return ", ".join([*parts, state["store"]["text"]])

    def _tick_fits(self, now_ns: int) -> None:
        """The fit of each device's clock to the record's, hourly: how true the times of readings are."""
        if now_ns < self._next_fits_ns:
            return
        self._next_fits_ns = now_ns + FITS_EVERY_NS
        for device in list(self.engine.model.devices.values()):
            line = device.fit.line if device.fit is not None else None
            if line is not None and line.error_ns is not None:
                fit = from_plain(ClockFit, plain(line))
                self.emit(ClockNoted(t_ns=self.clock.now_ns(), device=device.device_id, fit=fit))

    def _health(self) -> None:
        well, problem = known(1.0, "1"), self._store_problem
        ill = well if problem is None else unknown("1", problem.text)
        low = problem is not None and problem.kind == LOW_SPACE
        self.engine.judge.health |= {STORE: well if low else ill, DISK: ill if low else well}

    def _clock_trouble(self, trouble: Trouble) -> None:
        self.engine.judge.health[CLOCK] = unknown("1", trouble.text)
        noted = GapNoted if trouble.is_gap else ClockNoted
        self.emit(
            noted(
                t_ns=self.clock.now_ns(), cause=trouble.text, kind=trouble.kind.value, seconds=trouble.seconds,
                from_ns=trouble.from_ns, to_ns=trouble.to_ns,
            )
        )  # fmt: skip

    # -- the record ----------------------------------------------------------------------------------------------

    def emit(self, event: Event) -> None:
        """An event from outside the engine (devices, clock, store): applied, stored."""
        self.engine.apply(event)
        self._store_event(event)

    def keep_frame(self, device: str, t_ns: int, raw: bytes, samples: list[PointSample]) -> None:
        """A frame received; alarms it raised follow it in the record."""
        self._segments.add(device, t_ns, raw)
        self._scans += scans(samples)
        self._drain()

    def _drain(self) -> None:
        for event in self.engine.take_events():
            self._store_event(event)

    def _store_event(self, event: Event) -> None:
        # What was received before the event comes before it in the chain.
        self._submit(self._segments.flush(event.t_ns, force=True))
        self._newest_event = event_bytes(event)
        self._submit([NewRecord(EVENT, "", event.t_ns, 1, b"", self._newest_event)])

    def _submit(self, new: list[NewRecord]) -> None:
        if self.writer is None or not (new or self._scans):
            return
        readings, self._scans = self._scans, []
        try:
            self.writer.submit(new, readings)
        except StoreError as exc:
            log.error("store: %s", exc)

    def _committed(self, stored: list[Record]) -> None:
        events = [(r, event_data(r)) for r in stored if r.kind == EVENT]
        self._call(lambda: self._on_committed(stored[-1].id, events))

    def _on_committed(self, last_id: int, events: list[tuple[Record, dict[str, Any]]]) -> None:
        self._last_record = last_id
        payloads = {record.payload for record, _ in events}
        for payload, stored in self._awaited:
            if payload in payloads and not stored.done():
                stored.set_result(None)
        for record, data in events:
            self._tell("event", record.id, data)

    def _trouble_with_store(self, problem: Problem | None) -> None:
        def take() -> None:
            self._store_problem = problem

        self._call(take)

    def _call(self, act: Callable[[], None]) -> None:
        if not self._loop.is_closed():
            self._loop.call_soon_threadsafe(act)

    # -- Control -------------------------------------------------------------------------------------------------

    def snapshot(self) -> dict[str, Any]:
        self.engine.model.now_ns = max(self.engine.model.now_ns, self.clock.now_ns())
        return shape(
            self.engine.snapshot(),
            {
                "alarms": [alarm_shape(row) for row in self.alarms()],
                "devices": [feed.shown() for feed in self.feeds.values()],
                "relays": [relay.shown() for relay in self.relays],
                "store": self._store_shape(),
                "awake": self.awake,
                "channels": self.channels,
                "software": SOFTWARE.partition(" ")[2],
                "speed": self.speed,
            },
        )

    def alarms(self) -> list[AlarmRow]:
        return self.engine.judge.alarm_engine.present(
            self.engine.judge.state, self.engine.judge.inputs(self.engine.model, self.engine.values)
        )

    def _store_shape(self) -> dict[str, Any]:
        if self.writer is None:
            return {}
        status = self.writer.status
        until = utc_text(status.last_t0_ns)[11:19] if status.last_t0_ns else "nothing yet"
        text = f"stored to {until} UTC"
        if status.problem is not None:
            not_stored = status.problem.kind in NOT_STORED or status.unsaved_s > 5
            text = f"NOT STORED: {status.problem.text}" if not_stored else f"{text}; {status.problem.text}"
        elif status.unsaved_s > 5:
            text = f"{status.unsaved_s:.0f} s not stored yet"
        return {
            "ok": status.problem is None and status.unsaved_s <= 5,
            "text": text,
            "last_id": status.last_id,
            "unsaved_s": status.unsaved_s,
            "lost_frames": status.lost_frames,
        }

    async def act(self, action: str, body: dict[str, Any]) -> dict[str, Any]:
        """Done at once; answered when the record holds it, or with "stored" false and why it does not."""
        if action == "stop":
            self.stopping.set()
            return {"text": f"job {self.job_id} is being closed; what was received is stored first"}
        before = self._newest_event
        if action in ("permit-arm", "permit-release"):
            answer = self._permit(action == "permit-arm", body)
        else:
            answer = self._do(action, body)
        stored = self._newest_event is before or await self._is_stored(self._newest_event)
        if not stored:
            answer["text"] += f"\nNOT YET STORED: {self._store_shape()['text'].removeprefix('NOT STORED: ')}"
        return {**answer, "stored": stored}

    async def _is_stored(self, event: bytes) -> bool:
        """Whether the event, and so all before it, is in the file within a short time."""
        if self.writer is None:
            return False
        waiting = event, self._loop.create_future()
        self._awaited.append(waiting)
        self.writer.hurry()
        in_trouble = self._store_problem is not None and self._store_problem.kind in NOT_STORED
        try:
            await asyncio.wait_for(waiting[1], ANSWER_IN_TROUBLE_S if in_trouble else ANSWER_S)
        except TimeoutError:
            return False
        finally:
            self._awaited.remove(waiting)
        return True

    def _permit(self, arm: bool, body: dict[str, Any]) -> dict[str, Any]:
        """body: operator; hold, the name of what is meant, where the rig has several."""
        name, operator = body.get("hold", ""), body.get("operator", "")
        if not isinstance(name, str) or not isinstance(operator, str):
            raise Refused("hold and operator are text")
        known_names = ", ".join(r.output.hold for r in self.relays)
        if not known_names:
            raise Refused("the rig file names no [[device.output]]: this program closes no contact")
        meant = [r for r in self.relays if name.casefold() in ("", r.output.hold.casefold())]
        if not meant or (arm and len(meant) > 1):
            raise Refused(f"name which one; the rig has: {known_names}")
        operator = clean(operator, 300)
        try:
            said = [relay.arm(operator) if arm else relay.release(operator) for relay in meant]
        except AlarmError as exc:
            raise Refused(str(exc)) from exc
        self.look_at_relays()
        return {"text": "\n".join(said)}

    def _do(self, action: str, body: dict[str, Any]) -> dict[str, Any]:
        if action == "cylinder" and "cylinder" not in body:
            name = body.get("name")
            if isinstance(name, str) and name not in self.engine.model.state.cylinders:
                kept = self.more_cylinders(name)
                if kept is not None:
                    body = {**body, "cylinder": plain(kept)}
        now_ns = self.clock.now_ns()
        try:
            answer = do(self.engine, action, body, _told_time(body, now_ns))
        except NotNow as exc:
            raise Refused(str(exc)) from exc
        self._drain()
        return answer

    async def history(self, point: str, since_ns: int, buckets: int) -> list[dict[str, Any]]:
        if point not in POINTS:
            raise Refused(f"{point!r} is no measuring point")
        model = self.engine.model
        job, ambient_pa = model.state.job, model.ambient.pressure_pa
        try:
            found = await self._trends.since(
                point, since_ns, self.clock.now_ns(), buckets, model.period_s(point), model.slack_s
            )
        except StoreError as exc:
            raise Refused(str(exc)) from exc
        return rows(found, user_unit(POINTS[point].quantity, job.units if job else "us"), ambient_pa)

    def events_since(self, record_id: int) -> list[tuple[int, dict[str, Any]]]:
        try:
            with StoreReader(self.path) as reader:
                stored = islice(reader.records(record_id, kind=EVENT), FOLLOWER_QUEUE)
                return [(record.id, event_data(record)) for record in stored]
        except StoreError:
            return []

    def follow(self) -> AsyncIterator[tuple[str, int, dict[str, Any]]]:
        """From this call on. Ends when the reader is too slow; it then asks for the rest by the id of the last event
        it got."""
        follower = _Follower()
        self._followers.add(follower)
        return self._told(follower)

    async def _told(self, follower: "_Follower") -> AsyncIterator[tuple[str, int, dict[str, Any]]]:
        try:
            while not (follower.left_behind and follower.queue.empty()):
                yield await follower.queue.get()
        finally:
            self._followers.discard(follower)

    def _tell(self, name: str, record_id: int, data: dict[str, Any]) -> None:
        for follower in list(self._followers):
            if name == "snapshot" and follower.queue.qsize() > 2:
                continue  # a slow reader gets a later one
            if follower.queue.full():
                follower.left_behind = True
                self._followers.discard(follower)
            else:
                follower.queue.put_nowait((name, record_id, data))


class _Follower:
    """left_behind: nothing is added any more; what is in the queue is whole up to there."""

    def __init__(self) -> None:
        self.queue: asyncio.Queue[tuple[str, int, dict[str, Any]]] = asyncio.Queue(FOLLOWER_QUEUE)
        self.left_behind = False


def _told_time(body: dict[str, Any], now_ns: int) -> int:
    """When it happened: now, "ago_s" seconds ago, or at "at_ns", UTC. Raises Refused."""
    ago_s, at_ns = body.get("ago_s", 0.0), body.get("at_ns")
    if at_ns is not None:
        ago_s = (now_ns - at_ns) / NS_PER_S if type(at_ns) is int else None
    if isinstance(ago_s, bool) or not isinstance(ago_s, int | float) or not 0 <= ago_s <= MAX_AGO_S:
        hours = MAX_AGO_S / 3600
        raise Refused(f"an act is told at once or up to {hours:.0f} h later: ago_s or at_ns does not fit")
    return now_ns - int(ago_s * NS_PER_S)


def alarm_shape(row: AlarmRow) -> dict[str, Any]:
    """One present alarm for screens and commands."""
    return {
        "key": row.key,
        "label": row.label,
        "priority": row.priority.value,
        "state": row.state.value,
        "active": row.state in STANDING,
        "acknowledged": row.state not in UNSEEN,
        "since_ns": row.since_ns,
        "value": row.value,
        "problem": row.problem,
        "limit": row.limit,
        "unit": row.unit,
        "message": row.message,
        "first_out": row.first_out,
        "protected": row.protected,
        "shelved_until_ns": row.shelved_until_ns,
        "operator": row.operator,
        "reason": row.reason,
    }
