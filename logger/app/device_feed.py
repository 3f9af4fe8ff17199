"""From the links into the pipeline and the record: one port of one rig device."""

import time
from collections import deque
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from firmware_protocol.messages import Hello
from firmware_protocol.requests import Request, SetPeriod
from logger.app.event_budget import EventBudget
from logger.clock import Clock
from logger.decode.calibration_fit import zero_drift
from logger.decode.device_model import Explained
from logger.link import link_events as link
from logger.link.device_faults import PAST, fault_text, unheld_text
from logger.link.errors import SILENT
from logger.link.line_report import CONTENT, LineReport, error_text
from logger.model.events import DeviceHello, DeviceLost, Event, GapNoted
from logger.model.instrument import TEXT
from logger.model.rig import RigDevice
from logger.model.sample import PointSample
from logger.model.text import clean
from logger.model.units import NS_PER_S
from logger.pipeline.engine import Engine

Emit = Callable[[Event], None]
KeepFrame = Callable[[str, int, bytes, list[PointSample]], None]

INTERRUPTED_NS = 200_000  # between two clocks that are read one after the other: they are read again
READ_TRIES = 5
PERIOD_TOLERANCE = 0.1  # a device takes the nearest period that it can do
RESTARTS = 3  # within RESTARTS_NS: not one brown-out, but a supply or a firmware that fails
RESTARTS_NS = 600 * NS_PER_S
SHOWN_NS = 60 * NS_PER_S  # so long after it was last noticed, what a device gets wrong is shown
LOOKING = "looking for it"
UNUSABLE = "it answers, but cannot be used"


class DeviceFeed:
    """Takes a device's link events; `state` is what screens show of it. Runs in the daemon's loop."""

    def __init__(self, device: RigDevice, engine: Engine, clock: Clock, speed: float, emit: Emit, keep: KeepFrame):
        self.rig_device, self._engine, self._clock, self._speed = device, engine, clock, speed
        self._emit, self._keep = emit, keep
        self.device_id = device.device_id or ""
        self.url = device.url or ""  # where it was found, which need not be where the rig has it
        self.state = LOOKING
        self.connected = False
        self.bad_frames = 0
        self.lost_frames = 0
        self.missed_frames = 0
        self._first: tuple[int, int] | None = None  # boot and sequence of the first samples of this run
        self.frames = 0
        self.supply_mv: int | None = None
        self.rssi_dbm: int | None = None
        self.battery_percent: int | None = None
        self.faults = 0  # as the device reports them
        self._line = LineReport()
        self._cut_by_opening = True  # nothing has come yet
        self._wrong: dict[str, tuple[str, int]] = {}  # what the device got wrong lately: about what -> words, when
        self._restarted_ns: deque[int] = deque(maxlen=RESTARTS)
        self.refused: str | None = None
        self.lost_code = ""  # why it is not heard (logger.link.errors), "" while it is
        self._budget = EventBudget()
        self._greeted: Hello | None = None  # as recorded last, without what differs from answer to answer
        self._at = (-1, 0)  # newest monotonic stamp and its UTC
        self._not_understood: str | None = None  # an instrument's newest line that no pattern fits
        self.request: Callable[[Request], None] = lambda request: None

    def now_ns(self) -> int:
        """UTC of the record."""
        return self._clock.now_ns()

    def utc_ns(self, at_ns: int) -> int:
        """UTC of the record for a monotonic stamp of a reader thread; later stamps never get an earlier time."""
        last_at_ns, last_utc_ns = self._at
        if at_ns != last_at_ns:
            for _ in range(READ_TRIES):
                before_ns, now_ns = time.monotonic_ns(), self._clock.now_ns()
                taken_ns = time.monotonic_ns() - before_ns
                if taken_ns < INTERRUPTED_NS:
                    break
            utc_ns = now_ns - int((before_ns + taken_ns // 2 - at_ns) * self._speed)
            self._at = at_ns, max(utc_ns, last_utc_ns) if at_ns > last_at_ns else utc_ns
        return self._at[1]

    def take(self, event: link.LinkEvent) -> None:
        handler = _HANDLERS.get(type(event))
        if handler is not None:
            handler(self, event)

    # One method an event type; the table below names them.

    def _frame(self, at_ns: int, raw: bytes, explained: Explained) -> None:
        if not self.device_id:
            return  # nobody said hello yet: not a device of ours
        t_ns = self.utc_ns(at_ns)
        samples = self._engine.frame(self.device_id, t_ns, raw, explained)
        self.frames += 1
        self._keep(self.device_id, t_ns, raw, samples)

    def _mark_connected(self) -> None:
        """Each good frame says that the device is there, whatever was recorded of it."""
        if self.connected and self.device_id not in self._engine.model.lost:
            return
        self.connected = True
        self.state, self.lost_code = "connected", ""
        self._engine.device_connected(self._key())
        self._report_trouble()

    def _key(self) -> str:
        return self._engine.model.state.device_key(self.rig_device.name)

    def _hello(self, event: link.HelloReceived) -> None:
        """Said again without news it is not stored again; a new one is first bound to its place in the rig."""
        self.device_id = event.hello.device_id.hex()
        self.refused = None
        known, self._greeted = self._greeted, replace(event.hello, request_id=0)
        if self._greeted == known and self.connected:
            return
        hello = DeviceHello(
            t_ns=self.utc_ns(event.at_ns), device=self.device_id, name=self.rig_device.name, url=self.url,
            firmware=clean(f"{event.hello.firmware_name} {event.hello.firmware_version}"),
            boot_count=event.hello.boot_count,
        )  # fmt: skip
        if known is None:
            self._emit(hello)
        else:
            self._emit_budgeted("hello", hello)
        self._frame(event.at_ns, event.raw, event.explained)

    def _emit_budgeted(self, what: str, event: Event, frames: int = 0) -> None:
        """An event that a faulty device may cause without end."""
        if self._budget.allows(what, event.t_ns, frames):
            self.settle(event.t_ns)
            self._emit(event)

    def settle(self, now_ns: int, at_once: bool = False) -> None:
        """Record in one event what was too much to be recorded one by one."""
        merged = self._budget.merged(self.device_id, now_ns, at_once)
        if merged is not None:
            self._emit(merged)

    def _described(self, event: link.Described) -> None:
        for raw, explained in zip(event.raws, event.explained, strict=True):
            self._frame(event.at_ns, raw, explained)

    def _started(self, event: link.Started) -> None:
        """Sample as often as the rig says; a device that does so already is left alone."""
        period_s = self.rig_device.period_s
        if period_s is not None and self._known():
            period_ms = round(period_s * 1000)
            if any(d.period_ms != period_ms for d in self._engine.model.devices[self.device_id].described):
                self.request(SetPeriod(0, period_ms))

    def trouble(self) -> str | None:
        """Of a device that is heard: the faults it reports of itself, and what it says that cannot be true."""
        return ", ".join(filter(None, (fault_text(self.faults & ~PAST), *self._lately(), *self._drifts()))) or None

    def _drifts(self) -> list[str]:
        """Channels whose zero moved by more than their stated accuracy since the calibration before."""
        readings = self._engine.model.devices.get(self.device_id)
        if readings is None:
            return []
        shown = self._engine.shown
        return [
            f"{decoder.point.label} zero moved by "
            f"{shown.spread(zero_drift(decoder.channel.calibration) or 0.0, decoder.point.quantity)}, more than its "
            f"stated accuracy of {shown.spread(decoder.stated_accuracy() or 0.0, decoder.point.quantity)}"
            for decoder in readings.decoders
            if decoder.drifted
        ]

    def _lately(self) -> list[str]:
        now_ns = time.monotonic_ns()
        return [words for words, at_ns in self._wrong.values() if now_ns - at_ns < SHOWN_NS]

    def _noticed(self, about: str, words: str, at_ns: int) -> None:
        self._wrong[about] = words, at_ns
        self._report_trouble()
        self._hindered(words)

    def _hindered(self, why: str) -> None:
        """It is heard, and what it says keeps it from being read: the alarm must not say that it is not heard."""
        if not self.connected:
            said = self._not_understood or f"{UNUSABLE}: {clean(why, 120)}"
            self._engine.device_lost(self._key(), f"device lost: {said}")

    def _report_trouble(self) -> None:
        self._engine.device_troubled(self._key(), self.trouble())

    def _contradicted(self, event: link.Contradiction) -> None:
        self._noticed(event.code, clean(event.reason, 160), event.at_ns)

    def _error(self, event: link.DeviceError) -> None:
        """Of its own accord, or what keeps it from starting; any other refusal is answered to whoever asked."""
        if event.error.request_id == 0 or not self.connected:
            what = "its message" if event.error.request_id == 0 else "it refuses a request"
            self._noticed(what, f"{what}: {error_text(event.error)}", event.at_ns)

    def _samples(self, event: link.SamplesReceived) -> None:
        self._mark_connected()
        if self._first is None and not event.backfilled:
            self._first = event.boot_count, event.samples.sequence
        self._frame(event.at_ns, event.raw, event.explained)

    def _status(self, event: link.StatusReceived) -> None:
        self.supply_mv = event.status.supply_mv
        self.faults = int(event.status.faults)
        held = [output.index for output in self.rig_device.outputs]
        if (unheld := unheld_text(event.status, held)) is not None:
            self._wrong["output"] = unheld, event.at_ns
        self._report_trouble()
        if event.status.battery_percent is not None:
            self.battery_percent = event.status.battery_percent
        self._frame(event.at_ns, event.raw, event.explained)

    def _time_marked(self, event: link.TimeMarked) -> None:
        self._frame(event.at_ns, event.raw, event.explained)

    def _said(self, event: link.InstrumentMessage) -> None:
        if event.understood and not self.connected:
            t_ns, url = self.utc_ns(event.at_ns), self.rig_device.url or ""
            self._emit_budgeted(
                "hello", DeviceHello(t_ns=t_ns, device=self.device_id, name=self.rig_device.name, url=url)
            )
        if event.understood:
            self._not_understood = None
            self._mark_connected()
        self._frame(event.at_ns, event.raw, event.explained)

    def _bad(self, event: link.BadFrameSeen) -> None:
        # The first one may be the rest of a frame or line that was cut by opening the port, but no more than that.
        text, cut = self.rig_device.kind == TEXT, self._cut_by_opening
        self._cut_by_opening = False
        if self.frames or (not text and (event.code == CONTENT or not cut)):
            self.bad_frames += 1 + event.suppressed
            self._line.bad(event.code, event.raw, event.reason, 1 + event.suppressed)
        if text:
            self._not_understood = f'{event.reason}: "{clean(event.raw.decode("latin-1"), 40)}"'
        if event.code == CONTENT:
            self._hindered(event.reason)

    def _gap(self, event: link.GapLost) -> None:
        count = event.last - event.first + 1
        if self._first is not None and self._first[0] == event.boot_count and event.last < self._first[1]:
            self.missed_frames += count  # from before this run: nobody was listening
        else:
            self.lost_frames += count
        t_ns = self.utc_ns(event.at_ns)
        gap = GapNoted(
            t_ns=t_ns, device=self.device_id, cause=clean(event.reason), frames=count, first=event.first,
            last=event.last, boot_count=event.boot_count,
        )  # fmt: skip
        self._emit_budgeted("frames lost", gap, count)

    def _rebooted(self, event: link.Rebooted) -> None:
        gap = GapNoted(
            t_ns=self.utc_ns(event.at_ns), device=self.device_id, cause="device restarted",
            boot_count=event.new_boot_count,
        )  # fmt: skip
        self._emit_budgeted("device restarted", gap)
        self._restarted_ns.append(event.at_ns)
        if len(self._restarted_ns) == RESTARTS and event.at_ns - self._restarted_ns[0] < RESTARTS_NS:
            words = f"restarts again and again, boot count {event.new_boot_count}: check its supply and watchdog"
            self._noticed("restarts", words, event.at_ns)

    def _up(self, event: link.LinkUp) -> None:
        self.url = event.url

    def _radio(self, event: link.RadioStatus) -> None:
        self.rssi_dbm = event.rssi_dbm
        if event.battery_percent is not None:
            self.battery_percent = event.battery_percent

    def _silent(self, event: link.Silent) -> None:
        self._gone(event.at_ns, SILENT, f"device lost: {self._not_understood or 'it is silent'}")

    def _down(self, event: link.LinkDown) -> None:
        self._gone(event.at_ns, event.code, f"device lost: {clean(event.reason, 120)}")

    def _refused(self, event: link.DeviceRefused) -> None:
        self.refused = clean(event.reason, 160)
        self._gone(event.at_ns, event.code, f"device lost: refused, {self.refused}")

    def _too_much(self, event: link.TooManyFrames) -> None:
        gap = GapNoted(t_ns=self.utc_ns(event.at_ns), device=self.device_id, cause=event.reason, frames=event.dropped)
        self._emit_budgeted(event.reason, gap, event.dropped)

    def _gone(self, at_ns: int, code: str, why: str) -> None:
        self.state, self.lost_code = why, code
        self.faults = 0
        self._report_trouble()
        self.rssi_dbm = None
        if self.connected:
            self.connected = False
            t_ns, name = self.utc_ns(at_ns), self.rig_device.name
            self._emit_budgeted("device lost", DeviceLost(t_ns=t_ns, device=self.device_id, name=name, reason=why))
        self._engine.device_lost(self._key(), why)

    def shown(self) -> dict[str, Any]:
        """For screens: one line of text, and whether all is well."""
        trouble = self.trouble()
        parts = [UNUSABLE if trouble and self.state == LOOKING else self.state]
        if self.bad_frames:
            text = self.rig_device.kind == TEXT
            what = _counted(self.bad_frames, "line not understood", "lines not understood")
            parts.append(what if text else self._line.text())
        if self.lost_frames:
            parts.append(_counted(self.lost_frames, "frame lost", "frames lost"))
        if self.missed_frames:
            parts.append(f"{_counted(self.missed_frames, 'frame', 'frames')} from while the logger was off")
        if self.battery_percent is not None:
            parts.append(f"battery {self.battery_percent} %")
        if self.rssi_dbm is not None:
            parts.append(f"signal {self.rssi_dbm} dBm when found")  # systems do not give it for a connected device
        readings = self._engine.model.devices.get(self.device_id)
        problem = readings.problem if readings is not None else None
        past = fault_text(self.faults & PAST)
        parts += [words for words in (trouble, past) if words and words not in self.state]
        unread = readings.channel_problems if readings is not None and self.connected else {}
        if problem and self.connected and clean(problem) not in (trouble or ""):
            parts.append(clean(problem))
        parts += [clean(why) for why in unread.values()]
        if self.connected and readings is not None:
            parts += filter(None, (readings.clock_problem, self._other_period()))
        return {
            "name": self.rig_device.name,
            "id": self.device_id,
            "url": self.url,
            "ok": self.connected and problem is None and trouble is None and not unread,
            "text": ", ".join(parts),
            "frames": self.frames,
            "bad_frames": self.bad_frames,
            "lost_frames": self.lost_frames,
        }

    def _other_period(self) -> str | None:
        """It takes no period, or only such as are far from the one that the rig file asks for."""
        asked_s = self.rig_device.period_s or 0.0
        described = self._engine.model.devices[self.device_id].described if asked_s else ()
        far = [d.period_ms / 1000 for d in described if abs(d.period_ms / 1000 - asked_s) > PERIOD_TOLERANCE * asked_s]
        return f"samples every {far[0]:g} s, not every {asked_s:g} s as the rig file asks" if far else None

    def _known(self) -> bool:
        return self.device_id in self._engine.model.devices


def _counted(count: int, one: str, more: str) -> str:
    return f"{count:,} {one if count == 1 else more}"


_HANDLERS: dict[type[Any], Callable[[DeviceFeed, Any], None]] = {
    link.LinkUp: DeviceFeed._up,
    link.RadioStatus: DeviceFeed._radio,
    link.HelloReceived: DeviceFeed._hello,
    link.Described: DeviceFeed._described,
    link.Started: DeviceFeed._started,
    link.SamplesReceived: DeviceFeed._samples,
    link.StatusReceived: DeviceFeed._status,
    link.TimeMarked: DeviceFeed._time_marked,
    link.InstrumentMessage: DeviceFeed._said,
    link.BadFrameSeen: DeviceFeed._bad,
    link.Contradiction: DeviceFeed._contradicted,
    link.DeviceError: DeviceFeed._error,
    link.GapLost: DeviceFeed._gap,
    link.Rebooted: DeviceFeed._rebooted,
    link.Silent: DeviceFeed._silent,
    link.LinkDown: DeviceFeed._down,
    link.DeviceRefused: DeviceFeed._refused,
    link.TooManyFrames: DeviceFeed._too_much,
}
