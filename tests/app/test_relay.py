"""Host and device together on one simulated time line: whatever happens between them, when is the contact closed?

Real session, feed, engine, alarms and relay on one side, the simulated scale with its relay on the other; the bytes
between them go through this file.
"""

from dataclasses import replace
from datetime import date
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_protocol.codes import ErrorCode, Fault, OpenedBy, OutputState, PermitAction
from firmware_protocol.framing import Frame, FrameDecoder
from firmware_protocol.messages import Accepted, ErrorMessage, Status, decode_payload
from firmware_protocol.requests import Permit, RequestStatus
from logger.alarms.errors import NotAllowed
from logger.alarms.permit import Mode
from logger.app.device_feed import DeviceFeed
from logger.app.relay import PERMITS_PER_TIMEOUT, STRAY_MARGIN_S, Relay
from logger.clock import Clock
from logger.config.rig_file import parse_rig
from logger.cylinder.limits import CylinderLimits
from logger.decode.device_model import Explained
from logger.link import link_events as link
from logger.link.device_faults import fault_text
from logger.link.session.session import Session
from logger.model.cylinder import Cylinder
from logger.model.events import CylinderOnScale, Event, JobOpened, PermitChanged, RigLoaded
from logger.model.job import Job
from logger.model.units import NS_PER_S, PSI_PA
from logger.pipeline.acts import do
from logger.pipeline.engine import Engine
from logger.pipeline.errors import NotNow
from logger.pipeline.words import reasons_of, refusal_of
from sim_device.rig import Rig, rig_toml

T0_NS = 1_800_000_000 * 10**9
STEP_S = 0.1
TIMEOUT_S = 3.0
LATE_S = 0.45  # a sample each 0.2 s, a look each 0.2 s
FULL_KG = 12.6 + 19.6  # the strictest rule's for the job's cylinder, with its tare
OUTPUT = f'\n  [[device.output]]\n  index = 0\n  hold = "machine"\n  timeout = "{TIMEOUT_S:g}s"\n'


class _Feed(DeviceFeed):
    """Times of this file instead of the computer's."""

    def utc_ns(self, at_ns: int) -> int:
        return T0_NS + at_ns

    def now_ns(self) -> int:
        return self._engine.model.now_ns


class Bench:
    """t_s: of everything. cut: no byte passes. frozen: the host does nothing; what was sent waits for it."""

    def __init__(self, output: str = OUTPUT, change: tuple[str, str] = ("", "")) -> None:
        self.t_s = 0.0
        self.cut = self.frozen = False
        self.rig = Rig("recovery", 4, autopilot=False, only=("scale",))
        self.device = self.rig.devices["scale"]
        rig = parse_rig(rig_toml({"scale": "socket://127.0.0.1:1"}, "recovery", 4).replace(*change) + output)
        self.engine = Engine(live=True)
        cylinder = Cylinder("cylinder 1", 12.5, 21.6, 2.76e6)
        other = Cylinder("cylinder 2", 12.5, 21.6, 2.76e6)
        self.events: list[Event] = []
        self._emit(JobOpened(t_ns=T0_NS, job=Job("j", "R-407C"), cylinders=(cylinder, other)))
        self._emit(RigLoaded(t_ns=T0_NS, rig=rig))
        self._emit(CylinderOnScale(t_ns=T0_NS, cylinder=cylinder, reading_kg=None))
        self.session = Session(expected_device_id=self.device.device_id)
        self.session.host_time = lambda at_ns: T0_NS + at_ns
        (entry,) = rig.devices
        self.feed = _Feed(entry, self.engine, Clock(), 1.0, self._emit, lambda *_: None)
        self.relay = Relay(entry.outputs[0], self.feed, self.engine, self._emit, self.session, lambda: None)
        self.permits: list[tuple[float, Permit]] = []
        self._waiting = b""
        self._decoder = FrameDecoder()
        self.session.connected(0)

    def _emit(self, event: Event) -> None:
        self.engine.apply(event)
        self.events.append(event)

    @property
    def closed(self) -> bool:
        return self.device.outputs[0].closed

    def step(self) -> None:
        self.t_s = round(self.t_s + STEP_S, 3)
        sent = b"" if self.frozen else self.session.bytes_to_send()
        for item in self._decoder.feed(sent):
            message = decode_payload(item.payload) if isinstance(item, Frame) else None
            if isinstance(message, Permit):
                self.permits.append((self.t_s, message))
        self._waiting += self.rig.step("scale", b"" if self.cut else sent, self.t_s)
        if self.cut:
            self._waiting = b""
        if not self.frozen:
            self._host()

    def _host(self) -> None:
        at_ns = int(self.t_s * NS_PER_S)
        data, self._waiting = self._waiting, b""
        for event in [*self.session.bytes_received(data, at_ns), *self.session.tick(at_ns)]:
            self.feed.take(event)
            self.relay.take(event)
        if self.session.over:
            for event in self.session.disconnected(at_ns):
                self.feed.take(event)
                self.relay.take(event)
            self.session.connected(at_ns)
        now_ns = T0_NS + at_ns
        if round(self.t_s / STEP_S) % 10 == 0:
            self.engine.tick(now_ns)
        if round(self.t_s / STEP_S) % 2 == 0:
            self.engine.model.now_ns = max(self.engine.model.now_ns, now_ns)
            self.relay.poll(self.t_s)

    def run(self, seconds: float) -> "Bench":
        for _ in range(round(seconds / STEP_S)):
            self.step()
        return self

    def do(self, action: str, **body: Any) -> None:
        do(self.engine, action, body, T0_NS + int(self.t_s * NS_PER_S))

    def correct_cylinder(self, **changes: Any) -> None:
        """Of the cylinder on the scale, which stays there."""
        cylinder = replace(Cylinder("cylinder 1", 12.5, 21.6, 2.76e6), **changes)
        self._emit(CylinderOnScale(t_ns=T0_NS + int(self.t_s * NS_PER_S), cylinder=cylinder, reading_kg=None))

    def held(self) -> "Bench":
        """In a recovery, armed and closed."""
        self.run(4.0)
        self.do("stage-begin", kind="recovery")
        self.run(2.0)
        self.relay.arm("tester")
        self.run(5.0)
        assert self.closed
        return self

    @property
    def last(self) -> str:
        return reasons_of(self.relay.hold.why, self.engine.shown)


def test_permits_come_three_times_in_each_time_out_with_guard_and_newest_tick() -> None:
    bench = Bench().held()
    begun = bench.t_s
    bench.run(12.0)
    sent = [(t, p) for t, p in bench.permits if t > begun and p.action == PermitAction.HOLD_CLOSED]
    assert len(sent) in range(4 * PERMITS_PER_TIMEOUT - 2, 4 * PERMITS_PER_TIMEOUT + 1)
    for t_s, permit in sent:
        assert permit.tick / 1000 > t_s - 0.5
        assert permit.timeout_ms == 3000
        assert permit.guard_channel == 0
        assert permit.guard_high / 100 == pytest.approx(FULL_KG - 0.1, abs=0.15)  # the scale reads 0.01 kg
    assert bench.closed
    limit, net = bench.engine.model.cylinder_limits(), bench.engine.values["cylinder_net_mass"]
    assert isinstance(limit, CylinderLimits) and limit.max_gross.number is not None
    assert net.u is not None and net.u > 0.05  # the stamped tare's, and the scale's
    assert sent[-1][1].guard_high == pytest.approx(100 * (limit.max_gross.number - 2 * net.u), abs=1.5)


def test_a_contact_that_nobody_armed_is_noticed_when_no_permit_can_hold_it() -> None:
    bench = Bench().run(4.0)
    assert not bench.relay.stray
    (output,) = bench.device.outputs
    output.closed, output.expires_ms = True, 10**9  # welded, as its device reads it back
    bench.run(5.0 + TIMEOUT_S)  # until the next status, and as long as a permit from before could hold
    assert not bench.relay.stray
    bench.run(STRAY_MARGIN_S + 1.0)
    assert bench.relay.stray
    assert bench.relay.shown()["ok"] is False
    output.closed = False
    assert not bench.run(6.0).relay.stray


def test_a_fault_that_the_device_reports_raises_its_alarm_and_clears_it() -> None:
    bench = Bench().run(6.0)
    key = f"trouble-{bench.device.device_id.hex()}"
    bench.device.faults = Fault.CONVERTER
    bench.run(10.0)
    assert key in bench.engine.judge.waiting()
    assert not bench.feed.shown()["ok"]
    bench.device.faults = Fault.WATCHDOG_RESET  # how it started: shown, but nothing to be done about it
    bench.run(20.0)
    assert bench.feed.trouble() is None
    assert fault_text(Fault.WATCHDOG_RESET) in bench.feed.shown()["text"]


def test_a_zero_that_moved_by_more_than_the_stated_accuracy_is_an_alarm() -> None:
    calibrated = '  point = "cylinder_mass"\n  zero = "0.5lb"\n  calibrated = 2026-03-02\n  earlier_zero = "{}lb"'
    for earlier, alarm in (("0.49", False), ("0.4", True)):  # the board states 0.01 kg, 0.022 lb
        bench = Bench(OUTPUT, ('  point = "cylinder_mass"', calibrated.format(earlier))).run(12.0)
        key = f"trouble-{bench.device.device_id.hex()}"
        assert (key in bench.engine.judge.waiting()) == alarm
        assert ("zero moved by" in bench.feed.shown()["text"]) == alarm


def test_one_lost_request_does_not_open_it() -> None:
    bench = Bench().held()
    for _ in range(3):
        bench.run(3.3)
        bench.cut = True
        bench.run(0.9)
        bench.cut = False
    assert bench.run(3.0).closed


@pytest.mark.parametrize(
    ("trouble", "within_s", "word"),
    [
        (lambda b: setattr(b.device.sensors[0], "wire", "open"), LATE_S, "opened it: its scale gave no reading"),
        (lambda b: setattr(b.device.sensors[0], "extra_error", 25.0), LATE_S, "opened it: its scale reached the limit"),
        (lambda b: b.do("stage-end"), LATE_S, "no recovery is running"),
        (lambda b: b.do("cylinder", name="cylinder 2"), LATE_S, "another cylinder"),
        (lambda b: b.relay.release("tester"), LATE_S, None),
        (lambda b: b.relay.stop(), LATE_S, "a correction is being worked in"),
        (lambda b: b.device.reboot(0.5), 0.0, "opened it: at its start"),
        (lambda b: setattr(b, "cut", True), TIMEOUT_S + LATE_S, "cylinder mass unknown: no reading for 3 s"),
        (lambda b: setattr(b, "frozen", True), TIMEOUT_S + LATE_S, None),
    ],
)  # fmt: skip
def test_what_opens_it_and_how_soon(trouble: Any, within_s: float, word: str | None) -> None:
    bench = Bench().held()
    trouble(bench)
    bench.run(within_s + STEP_S)
    assert not bench.closed
    bench.run(8.0)
    assert not bench.closed, "and it stays open"
    if not bench.frozen:
        assert bench.relay.hold.mode is (Mode.RELEASED if word is None else Mode.STOPPED)
        assert bench.last == "" if word is None else word in bench.last
        assert bench.relay.shown()["ok"] is (word is None)


def ready() -> Bench:
    """In a recovery, and nothing objects."""
    bench = Bench().run(4.0)
    bench.do("stage-begin", kind="recovery")
    return bench.run(2.0)


def sent_since(bench: Bench, t_s: float) -> set[PermitAction]:
    return {PermitAction(permit.action) for at_s, permit in bench.permits if at_s > t_s}


def hold_closed(bench: Bench) -> Permit:
    return next(permit for _, permit in bench.permits if permit.action == PermitAction.HOLD_CLOSED)


def test_a_restart_stops_it_before_its_contact_ever_closed() -> None:
    bench = ready()
    bench.relay.arm("tester")
    bench.relay.take(link.Rebooted(0, b"", 1, 2))
    assert [why.key for why in bench.relay.hold.why] == ["permit.restarted"]
    begun = bench.t_s
    assert not bench.run(3.0).closed
    assert sent_since(bench, begun) == {PermitAction.OPEN}


def test_a_refusal_stops_it_unless_the_next_permit_may_be_taken() -> None:
    bench = Bench().held()
    held, asked = bench.relay.hold, hold_closed(bench)
    for code in (*ErrorCode, 77):
        bench.relay.hold = held
        refusal = ErrorMessage(1, code, "not\x1b now" if code != ErrorCode.HARDWARE else "")
        bench.relay.take(link.Replied(0, b"", 1, replace(asked, action=PermitAction.OPEN), refusal))
        bench.relay.take(link.Replied(0, b"", 1, replace(asked, index=1), refusal))
        assert bench.relay.hold is held
        bench.relay.take(link.Replied(0, b"", 1, asked, refusal))
        stops = code not in (ErrorCode.BUSY, ErrorCode.STALE_PERMIT)
        assert [why.key for why in bench.relay.hold.why] == ["permit.refused"] * stops, code
        assert bench.relay.hold.permitted is not stops
        if stops:
            assert ("error 8" if code == ErrorCode.HARDWARE else " now") in bench.last
    assert not bench.run(2 * STEP_S).closed


def test_a_contact_that_its_device_opened_stops_it() -> None:
    """Not when it was ordered: that is the answer to an open of before it was armed."""
    bench = Bench().held()
    held = bench.relay.hold
    for opened_by in (*OpenedBy, 99):
        for state in (OutputState.CLOSED, OutputState.OPEN):
            bench.relay.hold = held
            status = Status(0, 1, 1, 1, 1, 1, 1, 1, outputs=((state, opened_by, 0),))
            bench.relay.take(link.StatusReceived(0, b"", status, Explained(status)))
            stops = state == OutputState.OPEN and opened_by != OpenedBy.HOST
            assert [why.key for why in bench.relay.hold.why] == ["permit.opened"] * stops, opened_by
            assert bench.relay.closed is (state == OutputState.CLOSED)


def test_a_status_that_says_nothing_of_the_contact_changes_nothing() -> None:
    bench = Bench().held()
    status = Status(0, 1, 1, 1, 1, 1, 1, 1)
    bench.relay.take(link.StatusReceived(0, b"", status, Explained(status)))
    assert bench.relay.closed and bench.relay.hold.mode is Mode.HELD


def test_a_permit_that_was_under_way_when_something_objected_is_taken_back() -> None:
    bench = Bench().held()
    bench.do("stage-end")
    bench.run(3.0)
    begun, accepted = bench.t_s, Accepted(1, 8, 1, 1, 1, 1)
    bench.relay.take(link.Replied(0, b"", 1, hold_closed(bench), accepted))
    bench.step()
    assert sent_since(bench, begun) == {PermitAction.OPEN}


def test_a_lost_link_stops_it_however_fresh_the_last_reading_is() -> None:
    bench = Bench().held()
    bench.feed.connected, bench.feed.state = False, "cable gone"
    bench.relay.poll(bench.t_s)
    assert [why.key for why in bench.relay.hold.why] == ["permit.device"]
    assert "machine: cable gone" in bench.last
    assert bench.relay.closed is None and bench.relay.shown()["contact"] == "not known"


def _not_said(bench: Bench) -> None:
    bench.relay._tick = None


def _other_limit(bench: Bench) -> None:
    bench.relay._longest_ms = int(TIMEOUT_S * 1000) - 1


def _no_output(bench: Bench) -> None:
    device = bench.engine.model.devices[bench.feed.device_id]
    assert device.hello is not None
    device.hello = replace(device.hello, outputs=0)


def _no_overfill(bench: Bench) -> None:
    judge = bench.engine.judge
    rules = tuple(rule for rule in judge.alarm_engine.rules if rule.key != "overfill")
    judge.alarm_engine = replace(judge.alarm_engine, rules=rules)


def _below_its_tare(bench: Bench) -> None:
    bench.device.sensors[0].extra_error = -1.0
    bench.run(1.0)


@pytest.mark.parametrize(
    ("trouble", "word"),
    [
        (lambda b: setattr(b.feed, "connected", False), "machine: connected"),
        (_not_said, "has not said what it is"),
        (_other_limit, "takes a time-out up to 2.999 s"),
        (_no_output, "the device has no output 0"),
        (_no_overfill, "cannot hold the cylinder's limit"),
        (_below_its_tare, "the scale reads 11.6 kg; allowed are 12.3"),
    ],
)  # fmt: skip
def test_what_its_device_lacks_is_said_when_it_is_armed(trouble: Any, word: str) -> None:
    bench = ready()
    trouble(bench)
    with pytest.raises(NotAllowed) as refused:
        bench.relay.arm("tester")
    assert word in refusal_of(refused.value, bench.engine.shown)
    assert bench.relay.hold.mode is Mode.RELEASED


def test_what_is_recorded_and_shown_of_it() -> None:
    bench = ready()
    assert bench.relay.shown()["text"] == "not armed, contact open"
    assert "armed; its device opens it at 32" in bench.relay.arm("tester")
    assert bench.relay.shown() == {
        "name": "machine", "device": "scale", "mode": "held", "contact": "open", "ok": True,
        "text": "armed, contact open",
    }  # fmt: skip
    bench.run(2.0)
    assert bench.relay.shown()["text"] == "held closed"
    assert "is armed already" in bench.relay.arm("somebody else")
    bench.relay.release("tester", "lunch")
    bench.run(1.0)
    bench.relay.release("tester")  # nothing stands any more: not recorded again
    acts = [event for event in bench.events if isinstance(event, PermitChanged)]
    assert [(event.act, event.operator, event.reason) for event in acts] == [
        ("armed", "tester", None), ("closed", None, None), ("released", "tester", "lunch"),
        ("opened", None, "as ordered"),
    ]  # fmt: skip
    assert (acts[0].output, acts[0].hold, acts[0].cylinder) == (0, "machine", "cylinder 1")
    assert acts[0].guard_kg == pytest.approx(FULL_KG - 0.1, abs=0.15)


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"service_pressure_pa": 240 * PSI_PA}, "DO NOT FILL with R-407C"),
        ({"refrigerant": "R-22"}, "Use another cylinder"),
        ({"tested": date(2021, 12, 1)}, "DO NOT FILL: tested 2021-12-01, due 2026-12-01"),
    ],
)
def test_a_cylinder_that_must_not_be_filled_is_refused_in_words(changes: dict[str, Any], word: str) -> None:
    bench = Bench()
    bench.correct_cylinder(**changes)
    bench.run(4.0)
    bench.do("stage-begin", kind="recovery")
    bench.run(2.0)
    with pytest.raises(NotAllowed) as refused:
        bench.relay.arm("tester")
    assert word in refusal_of(refused.value, bench.engine.shown)
    assert not bench.run(4.0).closed
    sound = Bench().held()
    sound.correct_cylinder(**changes)  # found out, or become so, while it runs
    assert not sound.run(LATE_S + STEP_S).closed
    assert word in sound.last


def test_on_the_day_its_requalification_is_due_a_cylinder_may_still_be_filled() -> None:
    bench = Bench()
    bench.correct_cylinder(tested=date(2022, 1, 15))  # it is 2027-01-15
    bench.held()
    bench.engine.model.state.utc_offset_s = 16 * 3600  # the day after, where the job is
    assert not bench.run(LATE_S + STEP_S).closed
    assert "due 2027-01-15" in bench.last


def test_a_device_that_allows_no_such_time_out_is_not_asked() -> None:
    bench = Bench(OUTPUT.replace("3s", "60s"))
    bench.device.outputs[0].description = type(bench.device.outputs[0].description)(0, 0, 5000)
    bench.run(4.0)
    bench.do("stage-begin", kind="recovery")
    bench.run(2.0)
    with pytest.raises(NotAllowed) as refused:
        bench.relay.arm("tester")
    assert "up to 5 s" in refusal_of(refused.value, bench.engine.shown)


ACTS = st.sampled_from(
    ["arm", "arm", "arm", "release", "wire", "mend", "error", "small error", "cut", "join", "freeze", "thaw", "reboot",
     "stage-end", "stage-begin", "acknowledge", "reset", "swap", "wait"]
)  # fmt: skip


@given(acts=st.lists(st.tuples(ACTS, st.floats(0.1, 6.0)), min_size=4, max_size=14))
@settings(max_examples=25, deadline=None)
def test_closed_only_while_host_link_scale_and_cylinder_are_well(acts: list[tuple[str, float]]) -> None:
    bench = Bench().held()
    bad_since: dict[str, float] = {}
    for act, seconds in acts:
        _act(bench, act, bad_since)
        for _ in range(round(seconds / STEP_S)):
            bench.step()
            for what, since_s in bad_since.items():
                grace_s = TIMEOUT_S if what in ("cut", "frozen") else 0.0
                # Between a host that is away and one that is back lies the device's time-out.
                if what in ("stage", "released") and ("cut" in bad_since or "frozen" in bad_since):
                    grace_s = TIMEOUT_S
                assert not bench.closed or bench.t_s - since_s <= grace_s + LATE_S, (what, bench.t_s)


def _act(bench: Bench, act: str, bad: dict[str, float]) -> None:
    now, sensor = bench.t_s, bench.device.sensors[0]
    absent = bench.frozen
    if act == "arm" and not absent:
        try:
            bench.relay.arm("tester")
        except NotAllowed:
            return
        assert "stage" not in bad
        for what in ("wire", "error"):
            assert what not in bad or now - bad[what] <= LATE_S or "cut" in bad, "not on a reading that is gone"
        bad.pop("released", None)
    elif act == "release" and not absent:
        bench.relay.release()
        bad.setdefault("released", now)
    elif act == "wire":
        sensor.wire = "open"
        bad.setdefault("wire", now)
    elif act == "error":
        sensor.extra_error = 25.0
        bad.setdefault("error", now)
    elif act == "small error":
        sensor.extra_error = 0.3
        bad.pop("error", None)
    elif act == "mend":
        sensor.wire, sensor.extra_error = "", 0.0
        bad.pop("wire", None)
        bad.pop("error", None)
    elif act in ("cut", "join"):
        bench.cut = act == "cut"
        bad.setdefault("cut", now) if bench.cut else bad.pop("cut", None)
    elif act in ("freeze", "thaw"):
        bench.frozen = act == "freeze"
        bad.setdefault("frozen", now) if bench.frozen else bad.pop("frozen", None)
    elif act == "reboot":
        bench.device.reboot(0.5)
    elif act == "stage-end" and not absent:
        try:
            bench.do("stage-end")
        except NotNow:
            return
        bad.setdefault("stage", now)
    elif act == "stage-begin" and not absent:
        bench.do("stage-begin", kind="recovery", anyway=True)
        bad.pop("stage", None)
    elif act in ("acknowledge", "reset", "swap") and not absent:
        try:
            if act == "swap":
                bench.do("cylinder", name="cylinder 2")
            else:
                bench.do(act, **({"key": "overfill"} if act == "reset" else {}))
        except NotNow:
            return


def test_an_opening_does_not_wait_for_the_reply_to_something_else() -> None:
    bench = Bench().held()
    bench.session.request(RequestStatus(0))
    bench.cut = True  # its reply never comes, so that the next request in turn would wait a second
    bench.step()
    bench.cut = False
    bench.relay.release("tester")
    bench.step()
    t_s, permit = bench.permits[-1]
    assert (t_s, permit.action) == (bench.t_s, PermitAction.OPEN)
    assert not bench.closed
