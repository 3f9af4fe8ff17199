"""One contact of a device, held closed by permits that must keep coming (SPEC.md section 8).

`poll` several times a second while the daemon lives: it judges (logger/alarms/permit.py) and, while nothing objects,
sends a permit three times within each time-out. The moment something objects it tells the device to open. Whatever
happens to this program, its computer or the cable, permits stop coming and the device opens by itself; and the device
holds its own scale to the cylinder's limit, however slow this program is.
"""

import logging
from collections.abc import Callable
from typing import Any

from firmware_protocol.codes import ErrorCode, OpenedBy, OutputState, PermitAction
from firmware_protocol.errors import ProtocolError
from firmware_protocol.messages import Accepted, ErrorMessage
from firmware_protocol.requests import Permit
from logger.alarms import permit as rules
from logger.alarms.permit import Hold, Mode, Situation
from logger.app.device_feed import DeviceFeed, Emit
from logger.cylinder.limits import CylinderLimits
from logger.cylinder.scale_guard import ScaleGuard, scale_guard
from logger.link import link_events as link
from logger.link.session.session import Session
from logger.model.events import PermitChanged
from logger.model.rig import RigOutput
from logger.model.text import clean
from logger.model.value import Statement, unknown
from logger.pipeline.engine import Engine
from logger.pipeline.live_values import forbidding
from logger.pipeline.words import reasons_of
from logger.stages import registry
from logger.stages.words import text_of

log = logging.getLogger(__name__)

PERMITS_PER_TIMEOUT = 3  # permits within each time-out
STRAY_MARGIN_S = 6.0  # beyond a time-out: a status comes every five seconds
_AGAIN = (ErrorCode.BUSY, ErrorCode.STALE_PERMIT)  # refusals after which the next permit may be taken
_OPENED_BY = {
    OpenedBy.START_UP: "at its start",
    OpenedBy.HOST: "as ordered",
    OpenedBy.PERMIT_EXPIRED: "no signal in time to keep it closed",
    OpenedBy.GUARD_NO_READING: "its scale gave no reading",
    OpenedBy.GUARD_LIMIT: "its scale reached the limit",
    OpenedBy.DEVICE_FAULT: "a fault of the device",
    OpenedBy.STREAM_STOPPED: "it was stopped",
    OpenedBy.LAYOUT_CHANGED: "its channels changed, so its limit no longer holds",
}


class Relay:
    """closed: what the device last said of its contact; None while it is not heard or has not said.

    session, send_now: with the device; what the session has to send is written at once when that is called.
    """

    def __init__(
        self, output: RigOutput, feed: DeviceFeed, engine: Engine, emit: Emit, session: Session,
        send_now: Callable[[], None], speed: float = 1.0,
    ) -> None:  # fmt: skip
        self.output, self.hold = output, Hold()
        self.closed: bool | None = None
        self._feed, self._engine, self._emit = feed, engine, emit
        self._session, self._send_now = session, send_now
        self._every_s = output.timeout_s / PERMITS_PER_TIMEOUT / speed
        self._next_s = 0.0
        self._tick: int | None = None
        self._longest_ms = 0
        self._ticket: int | None = None  # of a permit under way
        self._confirmed = False  # closed since it was armed
        self._stray_s: float | None = None  # since when it is closed although nobody armed it
        self.stray = False  # for longer than any permit lasts

    # -- people --------------------------------------------------------------------------------------------------

    def arm(self, operator: str) -> str:
        """Raises NotAllowed with everything that objects."""
        hold = rules.arm(self._situation())
        if self.hold.permitted:
            return f"{self.output.hold}: is armed already"
        self.hold = hold
        guard = self._guard()
        assert guard is not None, "without a guard the device is objected to"
        self._confirmed, self._next_s = False, 0.0
        self._record("armed", operator=operator, guard_kg=round(guard.high_kg, 3), cylinder=self.hold.cylinder)
        self._queue(self._open())  # a person's word: what had tripped is re-armed
        return f"{self.output.hold}: armed; its device opens it at {guard.high_kg:.1f} kg on the scale"

    def release(self, operator: str = "", reason: str = "") -> str:
        """Open, and nothing stands any more: harmless when it is open."""
        was = self.hold
        self.hold = Hold()
        self._open_now()
        if was.mode is not Mode.RELEASED:
            self._record("released", operator=operator, reason=reason)
        return f"{self.output.hold}: released, its contact is opening"

    def stop(self) -> None:
        """A fact that what is held hangs on is being corrected: before that is stored. Only a person arms it again."""
        self._take(rules.stopped(self.hold, Statement("permit.correcting")))

    # -- time ----------------------------------------------------------------------------------------------------

    def poll(self, now_s: float) -> None:
        """now_s: of any clock that does not stand still. The model's time is up to date."""
        if not self._feed.connected:
            self.closed = None
        self._watch_for_stray(now_s)
        if not self.hold.permitted:
            return
        self._take(rules.still_held(self.hold, self._situation()))
        if self.hold.permitted and now_s >= self._next_s and self._ticket is None:
            self._next_s = now_s + self._every_s
            permit = self._permit()
            if permit is not None:
                self._queue(permit)

    def _watch_for_stray(self, now_s: float) -> None:
        if not self.closed or self.hold.permitted:
            self._stray_s = None
        elif self._stray_s is None:
            self._stray_s = now_s
        longest_s = PERMITS_PER_TIMEOUT * self._every_s + STRAY_MARGIN_S
        self.stray = self._stray_s is not None and now_s - self._stray_s > longest_s

    def take(self, event: link.LinkEvent) -> None:
        """What the device's link reports; the feed has taken it before."""
        match event:
            case link.SamplesReceived(backfilled=False, samples=samples):
                self._tick = samples.tick
            case link.Described(outputs=outputs):
                self._longest_ms = next((o.longest_timeout_ms for o in outputs if o.index == self.output.index), 0)
            case link.Started(accepted=accepted):
                self._tick = accepted.tick
            case link.StatusReceived(status=status):
                self._tick = status.tick
                if self.output.index < len(status.outputs):
                    state, opened_by, _ = status.outputs[self.output.index]
                    self._contact(state == OutputState.CLOSED, opened_by)
            case link.Rebooted():
                self._contact(False, OpenedBy.START_UP)
                self._take(rules.stopped(self.hold, Statement("permit.restarted")))
            case link.Replied(request=Permit(index=self.output.index) as asked, reply=reply):
                self._ticket = None
                self._answered(asked, reply)
            case link.NoReply(request=Permit(index=self.output.index)):
                self._ticket = None

    def _answered(self, asked: Permit, reply: object) -> None:
        closing = asked.action == PermitAction.HOLD_CLOSED
        if isinstance(reply, Accepted):
            self._tick = reply.tick
            self._contact(closing, OpenedBy.HOST)
            if closing and not self.hold.permitted:
                self._open_now()  # it was under way when something objected
        elif isinstance(reply, ErrorMessage) and closing and reply.code not in _AGAIN:
            why = clean(reply.text, 80) or f"error {reply.code}"
            self._take(rules.stopped(self.hold, rules.because("permit.refused", why)))

    def _contact(self, closed: bool, opened_by: int) -> None:
        how = _OPENED_BY.get(OpenedBy(opened_by), "") if opened_by in list(OpenedBy) else ""
        if closed != self.closed and (closed or self.closed is not None):
            self._record("closed" if closed else "opened", reason="" if closed else how)
        self.closed = closed
        if closed:
            self._confirmed = self._confirmed or self.hold.permitted
        elif self._confirmed and opened_by != OpenedBy.HOST:
            self._take(rules.stopped(self.hold, rules.because("permit.opened", how)))

    def _take(self, hold: Hold) -> None:
        was, self.hold = self.hold, hold
        if was.permitted and not hold.permitted:
            self._open_now()
            self._record("stopped", reason=reasons_of(hold.why, self._engine.shown))

    # -- to the device -------------------------------------------------------------------------------------------

    def _open_now(self) -> None:
        """At once, past everything that waits; and once more in its turn, until the device has answered."""
        self._confirmed = False
        if self._ticket is not None:
            self._session.cancel(self._ticket)
        self._session.open_output(self._open())
        self._send_now()
        self._queue(self._open())

    def _open(self) -> Permit:
        return Permit(0, self.output.index, PermitAction.OPEN, 0, 0, 0)

    def _queue(self, permit: Permit) -> None:
        try:
            self._ticket = self._session.request(permit)
        except (ValueError, ProtocolError) as exc:  # too many wait: the device opens by itself
            self._ticket = None
            log.warning("%s: not kept closed: %s", self.output.hold, exc)

    def _permit(self) -> Permit | None:
        device = self._engine.model.devices.get(self._feed.device_id)
        guard = self._guard()
        if device is None or device.hello is None or guard is None or self._tick is None:
            return None
        return Permit(
            0, self.output.index, PermitAction.HOLD_CLOSED, int(self.output.timeout_s * 1000),
            device.hello.boot_count, self._tick, device.hello.layout_id, guard.channel, guard.low, guard.high,
        )  # fmt: skip

    # -- what is known -------------------------------------------------------------------------------------------

    def _situation(self) -> Situation:
        engine = self._engine
        model, state = engine.model, engine.model.state
        measured = {channel.point for device in state.rig.devices for channel in device.channels}
        readings = {name: model.value(name) for name in rules.DEPENDS_ON if name in measured}
        share = engine.values.get("cylinder_of_limit", unknown("1", "not computed yet"))
        margin = engine.values.get("cylinder_margin", unknown("Pa", "not computed yet"))
        known = registry.definition(state.stage.kind) if state.stage else None
        return Situation(
            stage=state.stage.kind if state.stage else None,
            filling=known is not None and known.fills_cylinder,
            cylinder=state.cylinder.name if state.cylinder else None,
            share=share,
            margin=margin if "cylinder_pressure" in measured else None,
            readings=readings,
            rules=engine.judge.alarm_engine.rules,
            alarms=engine.judge.state,
            device_problem=self._device_problem(),
            correcting=bool(model.held),
            not_to_be_filled=[text_of(f, engine.shown).body for f in forbidding(model, model.now_ns)],
        )

    def _device_problem(self) -> str | None:
        name, feed = self.output.hold, self._feed
        if not feed.connected:
            return f"{name}: {feed.state}"
        device = self._engine.model.devices.get(feed.device_id)
        if device is None or device.hello is None or self._tick is None:
            return f"{name}: its device has not said what it is"
        if device.problem is not None:
            return f"{name}: {device.problem}"
        if self.output.index >= device.hello.outputs:
            return f"{name}: the device has no output {self.output.index}"
        if self.output.timeout_s * 1000 > self._longest_ms:
            return f"{name}: the device takes a time-out up to {self._longest_ms / 1000:g} s"
        guard, reading = self._guard(), self._engine.model.value("cylinder_mass").number
        if guard is None:
            return f"{name}: its device cannot hold the cylinder's limit"
        # As it reads, not as it is believed: the device, too, takes a knock at its word.
        if reading is not None and not guard.low_kg <= reading < guard.high_kg:
            return f"the scale reads {reading:.1f} kg; allowed are {guard.low_kg:.1f} to {guard.high_kg:.1f} kg"
        return None

    def _guard(self) -> ScaleGuard | None:
        model = self._engine.model
        device, limit = model.devices.get(self._feed.device_id), model.cylinder_limits()
        overfill = next((rule for rule in self._engine.judge.alarm_engine.rules if rule.key == rules.OVERFILL), None)
        if device is None or overfill is None or overfill.limit is None or not isinstance(limit, CylinderLimits):
            return None
        net = self._engine.values.get("cylinder_net_mass")
        for decoder in device.decoders:
            if decoder.point.name == "cylinder_mass":
                return scale_guard(decoder, limit, min(overfill.limit, 1.0), (net.u if net else None) or 0.0)
        return None

    def _record(self, act: str, **more: Any) -> None:
        said = {key: value for key, value in more.items() if value not in ("", None)}
        self._emit(
            PermitChanged(
                t_ns=self._feed.now_ns(), device=self._feed.device_id, name=self._feed.rig_device.name,
                output=self.output.index, hold=self.output.hold, act=act, **said,
            )
        )  # fmt: skip

    def shown(self) -> dict[str, Any]:
        """For screens: one line of text, and whether all is well."""
        contact = {True: "closed", False: "open", None: "not known"}[self.closed]
        if self.hold.mode is Mode.STOPPED:
            text = f"STOPPED: {reasons_of(self.hold.why, self._engine.shown)}"
        elif self.hold.permitted:
            text = "held closed" if self.closed else f"armed, contact {contact}"
        else:
            text = f"NOT ARMED, YET CONTACT {contact.upper()}" if self.stray else f"not armed, contact {contact}"
        return {
            "name": self.output.hold,
            "device": self._feed.rig_device.name,
            "mode": self.hold.mode.value,
            "contact": contact,
            "ok": self.hold.mode is not Mode.STOPPED and not self.stray,
            "text": clean(text, 300),
        }
