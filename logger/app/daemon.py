"""One running job: its engine, its file, its devices, its API. Everything happens in one asyncio loop."""

import asyncio
import json
import logging
import platform
import sys
from collections.abc import AsyncIterator, Callable
from itertools import islice
from pathlib import Path
from typing import Any

from logger.alarms.defaults import AUTOSTOP, CLOCK, CONTACT
from logger.alarms.memory import AlarmRow
from logger.alarms.permit import Mode
from logger.alarms.states import STANDING, UNSEEN
from logger.alarms.words import measured
from logger.api.daemon_port import Refused
from logger.api.shape import shape
from logger.app import AppError
from logger.app.broadcaster import Broadcaster, StreamItem
from logger.app.device_feed import DeviceFeed
from logger.app.operator_acts import act, carry_out, refused
from logger.app.recorder import COMMIT_S, Recorder
from logger.app.relay import Relay
from logger.app.restart import CatchUp, Settle
from logger.app.trend import Trends, rows
from logger.clock import Clock, Trouble, utc_offset_s
from logger.evidence.chain import event_data
from logger.model.codec import event_bytes
from logger.model.cylinder import Cylinder
from logger.model.events import ClockFit, ClockNoted, Event, GapNoted, JobOpened, RigLoaded, RunBegun, RunEnded
from logger.model.job import Job
from logger.model.plain import from_plain, plain
from logger.model.points import POINTS
from logger.model.records import EVENT
from logger.model.rig import Rig
from logger.model.sample import PointSample
from logger.model.text import clean
from logger.model.units import NS_PER_S, user_unit
from logger.model.value import known, name_of, unknown
from logger.model.version import SOFTWARE
from logger.pipeline.engine import Engine
from logger.pipeline.errors import not_now
from logger.pipeline.words import reasons_of
from logger.stages.words import alarm_text
from logger.store.errors import StoreError
from logger.store.reader import StoreReader
from logger.store.writer import StoreWriter
from logger.wording.values import Shown

log = logging.getLogger(__name__)

FITS_EVERY_NS = 3600 * NS_PER_S
GIVE_WAY_S = 0.0005  # Python's own 5 ms would be as much again on an alarm's way, several times over
CONCLUDED_WITHIN_S = 60.0  # a whole night of a large rig takes some seconds
FOLLOWED_BACK = 1000  # events that a follower can ask for again


class Daemon:
    """Control of logger.api.daemon_port. Make it with `open`, then `tick` once a second until `close`."""

    def __init__(
        self, job_id: str, path: Path, clock: Clock, speed: float = 1.0, fast_since_ns: int | None = None
    ) -> None:
        self.job_id, self.path, self.clock, self.speed, self._fast_since_ns = job_id, path, clock, speed, fast_since_ns
        self.engine = Engine(live=False)
        self.engine.beside = True
        self.engine.analyse_every_ns = max(self.engine.analyse_every_ns, int(NS_PER_S * speed))
        self.engine.model.slack_s = 2.0 * speed if speed > 1 else 0.0
        self.feeds: dict[str, DeviceFeed] = {}
        self.relays: list[Relay] = []
        self.awake: dict[str, Any] = {}
        self.log = ""  # the file of this program's own messages
        self.channels: dict[str, str | None] = {}  # how someone is reached: channel -> its problem
        self.catch_up: CatchUp | None = None  # of a job that goes on: what was before
        self.stopping = asyncio.Event()
        self.listed_cylinder: Callable[[str], Cylinder | None] = lambda name: None  # of the user's list
        self.earlier: Callable[[Job], dict[str, Any]] = lambda job: {}  # what earlier jobs give, fields of JobOpened
        self.broadcaster = Broadcaster()
        self.recorder = Recorder(self._stored)
        self.settling: Settle | None = None  # what was corrected or entered late is being worked in
        self._settle_task: asyncio.Task[None] | None = None
        self._conclude_task: asyncio.Task[None] | None = None  # the analysis of an ended stage, in a thread
        self._trends = Trends(path)
        self._loop = asyncio.get_running_loop()
        self._next_fits_ns = clock.now_ns() + FITS_EVERY_NS // 12

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
        writer = self.recorder.writer = StoreWriter.open(
            self.path, job_id=self.job_id, now_ns=now_ns, sign=sign, on_commit=self.recorder.committed,
            on_problem=self.recorder.in_trouble, accept_lost_tail=accept_lost_tail, repair_damaged=existed,
            commit_interval_s=commit_interval_s, anchors=anchors, checkpoint_interval_s=max(1.0, 60.0 / self.speed),
        )  # fmt: skip
        newest_ns = 0
        if existed:
            self.catch_up = CatchUp(self.path, self.engine)
            self.recorder.last_record, newest_ns = self.catch_up.last_id, self.catch_up.newest_ns
            self.clock.resume_after(self.engine.model.now_ns)
        if self.engine.facts.unknown:
            writer.close()
            if self.catch_up is not None:
                self.catch_up.close()
            what = ", ".join(self.engine.facts.unknown)
            raise AppError(f"{self.path} was corrected by a newer version of this program ({what}): update this one")
        if self.engine.model.state.job is None:
            if job is None:
                writer.close()
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
                speed=self.speed, fast_since_ns=self._fast_since_ns, continued=existed, utc_offset_s=utc_offset_s(),
            )
        )  # fmt: skip
        self.emit(RigLoaded(t_ns=now_ns(), rig=rig))
        if self.clock.problem is not None:
            self.emit(ClockNoted(t_ns=now_ns(), cause=self.clock.problem, offset_ns=self.clock.offset_ns))
        if newest_ns:
            self.emit(GapNoted(t_ns=now_ns(), cause="the program was not running", from_ns=newest_ns))
        self.engine.go_live()
        if cylinders and self.engine.model.state.on_scale is None:
            carry_out(self, "cylinder", {"name": cylinders[0].name})

    def _own_blends(self, job: Job, cylinders: tuple[Cylinder, ...]) -> list[dict[str, Any]]:
        """The user's own blends that the job rests on, whole: so that it can be computed again anywhere."""
        inside = (name for c in cylinders for name in (c.refrigerant, *c.candidates) if name is not None)
        return self.engine.user_catalogue.blend_records((job.refrigerant, *inside))

    async def close(self) -> None:
        """Everything stored; then the file is closed."""
        if self.catch_up is not None:
            self.catch_up.close()
        self._end_settling()
        for feed in self.feeds.values():
            feed.settle(self.clock.now_ns(), at_once=True)
        self.engine.conclude_now()
        self.store_new_events()
        self.emit(RunEnded(t_ns=self.clock.now_ns()))
        await self.recorder.close()

    # -- time ----------------------------------------------------------------------------------------------------

    def tick(self) -> None:
        """Once a second of the record's time."""
        for trouble in self.clock.tick():
            self._clock_trouble(trouble)
        now_ns = self.clock.now_ns()
        self.engine.judge.health |= self.recorder.health()
        self.engine.tick(now_ns)
        for feed in self.feeds.values():
            feed.settle(now_ns)
        self.store_new_events()
        self.recorder.flush(now_ns)
        self._tick_fits(now_ns)
        self.engine.judge.health[CLOCK] = known(1.0, "1")

    def poll_relays(self) -> None:
        """Several times a second: what is held closed goes on being so, or is opened."""
        if not self.relays:
            return
        model = self.engine.model
        model.now_ns = max(model.now_ns, self.clock.now_ns())
        for relay in self.relays:
            relay.poll(self._loop.time())
        why = [
            f"{r.output.hold}: {reasons_of(r.hold.why, self.engine.shown)}"
            for r in self.relays
            if r.hold.mode is Mode.STOPPED
        ]
        self.engine.judge.health[AUTOSTOP] = unknown("1", ", ".join(why)) if why else known(1.0, "1")
        stray = [f"{r.output.hold}: its device reports it closed, nobody armed it" for r in self.relays if r.stray]
        self.engine.judge.health[CONTACT] = unknown("1", ", ".join(stray)) if stray else known(1.0, "1")

    def publish(self) -> None:
        """The present state to everyone who follows."""
        if self.broadcaster.followers:
            self.broadcaster.send("snapshot", self.recorder.last_record, self.snapshot())

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
            line = device.clock.fit.line if device.clock is not None else None
            if line is not None and line.error_ns is not None:
                fit = from_plain(ClockFit, plain(line))
                self.emit(ClockNoted(t_ns=self.clock.now_ns(), device=device.device_id, fit=fit))

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
        self.recorder.store(event)

    def keep_frame(self, device: str, t_ns: int, raw: bytes, samples: list[PointSample]) -> None:
        """A frame received; alarms it raised follow it in the record."""
        self.recorder.keep(device, t_ns, raw, samples)
        self.store_new_events()

    def _stored(self, record_id: int, data: dict[str, Any]) -> None:
        """An event is in the file."""
        self.broadcaster.send("event", record_id, data)
        after = self.engine.settle_after
        if after is None or (self.settling is not None and self.settling.after is after):
            return
        if data == json.loads(event_bytes(after)):
            self._settle(record_id)

    def _settle(self, until_id: int) -> None:
        """All that was remembered of readings is worked out again, beside what comes."""
        self._end_settling()
        if self.catch_up is not None:
            self.catch_up.close()
        try:
            self.settling = Settle(self.path, self.engine, until_id)
        except StoreError as exc:
            log.error("what was corrected cannot be worked in before the next start: %s", exc)
            return
        self._settle_task = asyncio.create_task(self._settled(self.settling), name="settle")

    async def _settled(self, settling: Settle) -> None:
        await settling.run()
        if settling.done and settling.overview is not None:  # nothing was taken in between: it is whole
            self.recorder.replace_overview(settling.overview, self.clock.now_ns())
        self.store_new_events()

    def _end_settling(self) -> None:
        if self._settle_task is not None:
            self._settle_task.cancel()
        if self.settling is not None:
            self.settling.close()

    def store_new_events(self) -> None:
        """Those that the engine has concluded since."""
        for event in self.engine.take_events():
            self.recorder.store(event)
        if self.engine.concluding and self._conclude_task is None:
            self._conclude_task = asyncio.create_task(self._conclude(), name="conclude")

    async def _conclude(self) -> None:
        """What stages have found, computed in a thread, as alarms go on; the thread gives way often meanwhile."""
        interval_s = sys.getswitchinterval()
        sys.setswitchinterval(GIVE_WAY_S)
        try:
            while self.engine.concluding:
                one = self.engine.concluding[0]
                found = self._loop.run_in_executor(None, one.compute)
                await asyncio.wait([found])
                self.engine.concluded(one, found.result)
                self.store_new_events()
        finally:
            sys.setswitchinterval(interval_s)
            self._conclude_task = None

    async def concluded(self) -> None:
        """Nothing that a stage has found is being computed any more, or a while has passed."""
        if self._conclude_task is not None:
            await asyncio.wait([self._conclude_task], timeout=CONCLUDED_WITHIN_S)

    # -- Control -------------------------------------------------------------------------------------------------

    def snapshot(self) -> dict[str, Any]:
        self.engine.model.now_ns = max(self.engine.model.now_ns, self.clock.now_ns())
        return shape(
            self.engine.snapshot(),
            {
                "alarms": [alarm_shape(row, self.engine.shown) for row in self.alarms()],
                "devices": [feed.shown() for feed in self.feeds.values()],
                "relays": [relay.shown() for relay in self.relays],
                "store": self.recorder.shape(),
                "awake": self.awake,
                "channels": self.channels,
                "log": self.log,
                "software": SOFTWARE.partition(" ")[2],
                "speed": self.speed,
            },
        )

    def alarms(self) -> list[AlarmRow]:
        return self.engine.judge.alarm_engine.present(
            self.engine.judge.state, self.engine.judge.inputs(self.engine.model, self.engine.values)
        )

    async def act(self, action: str, body: dict[str, Any]) -> dict[str, Any]:
        if action == "stop":
            self.stopping.set()
            return {"text": f"job {self.job_id} is being closed; what was received is stored first"}
        return await act(self, action, body)

    async def history(self, point: str, since_ns: int, buckets: int) -> list[dict[str, Any]]:
        if point not in POINTS:
            raise refused(not_now("point.unknown", name_of("asked", clean(point, 40))), self.engine)
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
                stored = islice(reader.records(record_id, kind=EVENT), FOLLOWED_BACK)
                return [(record.id, event_data(record)) for record in stored]
        except StoreError:
            return []

    def follow(self) -> AsyncIterator[StreamItem]:
        return self.broadcaster.follow()


def alarm_shape(row: AlarmRow, shown: Shown) -> dict[str, Any]:
    """One present alarm for screens and commands. measured: number and limit in the user's units, or why none."""
    text = alarm_text(row, shown)
    return {
        "key": row.key,
        "label": text.label,
        "measured": measured(row, shown),
        "priority": row.priority.value,
        "state": row.state.value,
        "active": row.state in STANDING,
        "acknowledged": row.state not in UNSEEN,
        "since_ns": row.since_ns,
        "value": row.value,
        "problem": row.problem,
        "limit": row.limit,
        "unit": row.unit,
        "message": text.action,
        "first_out": row.first_out,
        "protected": row.protected,
        "shelved_until_ns": row.shelved_until_ns,
        "operator": row.operator,
        "reason": row.reason,
    }
