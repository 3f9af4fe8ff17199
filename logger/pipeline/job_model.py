"""Everything known of the job at one moment: what live quantities and analyses are computed from."""

import math
from collections.abc import Mapping, Sequence
from copy import copy, deepcopy
from typing import TypeVar

from logger.cylinder.limits import CylinderLimits, limits
from logger.decode.channel import UNDER_RANGE, ChannelDecoder
from logger.model.errors import ComputeError
from logger.model.points import POINTS, Quantity
from logger.model.sample import NOTHING_STATED, PointSample, Series
from logger.model.units import NS_PER_S
from logger.model.value import CodedProblem, Value, code_of, known, unknown
from logger.physics.ambient import SEA_LEVEL, Ambient, AmbientSource, ambient
from logger.pipeline.device_readings import DeviceReadings
from logger.pipeline.job_state import JobState
from logger.refrigerant import Refrigerant, UnknownRefrigerant
from logger.scale.outage import Outage
from logger.scale.state import ScaleState
from logger.statistics.history import History

T = TypeVar("T")
SKETCH_BUCKETS = 400
MAX_WAITING = 100  # scans: a millisecond's work for the histories
LIVE_WAITING = 30  # at a tick, where a millisecond is much
BAROMETER_KEEPS_S = 1800.0
LATE_NS = 5 * NS_PER_S  # readings on their way when a stage ends are not late
LATE_QUIET_NS = 5 * NS_PER_S  # re-analyse once no late reading has arrived for this long
LEAD_S = 1800.0  # a stage's histories begin this long before it: what led to it belongs to its analysis


class JobModel:
    """state: the job by its events. latest: newest sample of each point. histories: of the stage, from LEAD_S before
    it; sketches: the same in few buckets. lost: why a device is not heard, by id.
    window_ns: where histories begin. held: the job as it was before each correction that a limit hangs on, until all is
    worked out again; until then the stricter of old and new counts.
    """

    def __init__(self) -> None:
        self.state = JobState()
        self.held: list[JobState] = []
        self.devices: dict[str, DeviceReadings] = {}
        self.latest: dict[str, PointSample] = {}
        self._histories: dict[str, History] = {}
        self._sketches: dict[str, History] = {}
        self._waiting: dict[str, list[PointSample]] = {}  # trusted readings not yet in any history, by point
        self._scans_waiting = 0
        self.weighing: ScaleState | None = None
        self._outage = Outage()
        self.ambient: Ambient = SEA_LEVEL
        self.lost: dict[str, str] = {}
        self.window_ns = 0
        self.facts: dict[int, Mapping[str, Value]] = {}  # of ended stages, by number
        self.concluded_ns = 0  # end of the stage that ended last, until the next begins
        self.late_ns: int | None = None  # when readings of before then came last, that are not in its conclusion
        self.now_ns = 0
        self.slack_s = 0.0  # how late readings may come beyond that: with a clock that runs faster than real time
        self._homes: dict[str, tuple[str, float]] = {}  # point -> (device id, expected period s)
        self._unread: dict[str, CodedProblem] = {}  # why a channel of a device that is read cannot be, by point
        self.gauges: set[str] = set()  # points whose sensor measures against the air around it
        self._u: dict[str, tuple[float, float | None]] = {}  # point -> (of digits, of accuracy), SI
        self._raw: dict[str, tuple[ChannelDecoder, float]] = {}  # what _u is to be computed from when asked
        self._range: dict[str, tuple[float | None, float | None]] = {}
        # By point: the newest reading and its Value, while ambient and uncertainties stand: it is asked for by many.
        self._values: dict[str, tuple[PointSample, Value, int]] = {}
        self._gauge = NOTHING_STATED  # of the vacuum gauge

    # -- taking in -----------------------------------------------------------------------------------------------

    def device(self, device_id: str) -> DeviceReadings:
        """The device of that id, made on first sight with the rig's channels for it."""
        found = self.devices.get(device_id)
        if found is None:
            found = self.devices[device_id] = DeviceReadings(device_id, self.state.rig_device(device_id))
            found.speed = self.state.speed
        return found

    def rig_loaded(self) -> None:
        """A rig is in force, perhaps with other calibrations than the one before a restart."""
        for device_id, device in self.devices.items():
            device.speed = self.state.speed
            if device.use(self.state.rig_device(device_id)):
                self.described(device)

    def described(self, device: DeviceReadings) -> None:
        """The device's channels became known, or changed."""
        self._values.clear()
        for name in [n for n, (home, _) in self._homes.items() if home == device.device_id]:
            del self._homes[name]
        self._unread = {point: why for one in self.devices.values() for point, why in one.channel_problems.items()}
        for decoder in device.decoders:
            name = decoder.point.name
            self._homes[name] = (device.device_id, decoder.describe.period_ms / 1000.0)
            self._range[name] = decoder.range_si(self.ambient.pressure_pa)
            if name == "vacuum":
                self._gauge = decoder.channel.gauge
            (self.gauges.add if decoder.gauge else self.gauges.discard)(name)
            if name == "cylinder_mass":
                u = decoder.uncertainty(0)
                self.weighing = self.weighing or ScaleState(
                    u.resolution * math.sqrt(12), u.accuracy or 0.0, self.now_ns
                )

    def take(self, samples: Sequence[PointSample]) -> None:
        """The readings of one scan."""
        latest, waiting, late_ns = self.latest, self._waiting, self.concluded_ns - LATE_NS
        for sample in samples:
            t_ns, point, value, problem = sample
            if t_ns < late_ns:
                self.late_ns = self.now_ns
            if point not in latest or t_ns >= latest[point][0]:  # one that comes late, by resending, is no news
                latest[point] = sample
            if value is None:
                if point not in self._histories:  # it begins with the first reading that waits
                    self._settle()
                for history in self._of(point, t_ns):
                    history.fault(t_ns, problem or "no reading")
                continue
            if point in waiting:
                waiting[point].append(sample)
            else:
                waiting[point] = [sample]
            if point == "cylinder_mass" and self.weighing is not None:
                self._outage.weigh(self.weighing, t_ns, value, self.state.swaps, self.now_ns)
        self._scans_waiting += 1
        if self._scans_waiting >= MAX_WAITING:
            self._settle()

    def keep_up(self) -> None:
        """At a tick, so that no scan of a recovery has to wait for many before it."""
        if self._scans_waiting >= LIVE_WAITING:
            self._settle()

    def _settle(self) -> None:
        """Waiting readings into the histories: many at once cost a fraction of one by one."""
        self._scans_waiting = 0
        settling = dict(self._waiting)
        self._waiting.clear()  # first: what this program fails at must not come again with every scan
        for point, samples in settling.items():
            times, values = [s.t_ns for s in samples], [s.value for s in samples if s.value is not None]
            ordered = times == sorted(times)
            for history in self._of(point, times[0]):
                history.add_all(times, values, ordered)

    def _of(self, point: str, t_ns: int) -> tuple[History, History]:
        """The point's two histories, made on first sight."""
        history = self._histories.get(point)
        if history is None:
            history = self._histories[point] = History(point, self.window_ns or t_ns)
        sketch = self._sketches.get(point)
        if sketch is None:
            sketch = self._sketches[point] = History(point, self.window_ns or t_ns, max_buckets=SKETCH_BUCKETS)
        return history, sketch

    def begin_window(self, begun_ns: int) -> None:
        """A stage begins: new histories, with the last half hour carried over."""
        self._settle()
        self.window_ns = begun_ns - int(LEAD_S * NS_PER_S)
        self._outage.forget()
        self.concluded_ns, self.late_ns = 0, None
        self._histories = {n: h.carried_over(self.window_ns) for n, h in self._histories.items()}
        self._sketches = {n: h.carried_over(self.window_ns) for n, h in self._sketches.items()}

    def second(self) -> None:
        """Once a second: the barometer, how sure the readings are, and what came late of the scale."""
        if self._outage.is_over(self.now_ns):
            history = self.histories["cylinder_mass"]
            self.weighing = self._outage.weighed_anew(history, self.state.swaps, self.now_ns) or self.weighing
        job = self.state.job
        barometer = self.value("barometer") if "barometer" in self._homes else None
        barometer_counts = (
            self.ambient.source is AmbientSource.MEASURED and (self.age_s("barometer") or 0.0) < BAROMETER_KEEPS_S
        )
        if barometer is not None and barometer.number is None and barometer_counts:
            barometer = self.ambient.as_value()  # it changes by less than 0.1 kPa in that time
        try:
            self.ambient = ambient(
                barometer,
                job.barometer_pa if job else None,
                job.altitude_m if job else None,
            )
        except ComputeError:
            self.ambient = SEA_LEVEL
        self._values.clear()
        for device in self.devices.values():
            for decoder, raw in device.readings():
                self._raw[decoder.point.name] = (decoder, raw)

    def _u_of(self, name: str) -> tuple[float, float | None]:
        """Of digits and of accuracy as they were at the last full second, SI; computed when asked."""
        raw = self._raw.pop(name, None)
        if raw is not None:
            u = raw[0].uncertainty(raw[1])
            self._u[name] = (u.resolution, u.accuracy)
        return self._u.get(name, (0.0, None))

    def digits(self, name: str) -> float:
        """Standard uncertainty of a reading by its digits."""
        return self._u_of(name)[0]

    def frozen(self) -> "JobModel":
        """The job as it is now, that nothing changes any more: for an analysis beside what comes. The facts of ended
        stages are shared: one before may still be worked at."""
        self._settle()
        made = _copied(self)
        made.state, made.facts = _copied(self.state), self.facts
        made._histories, made.weighing = deepcopy(self._histories), deepcopy(self.weighing)
        made._sketches = {}
        return made

    # -- asking --------------------------------------------------------------------------------------------------

    @property
    def histories(self) -> dict[str, History]:
        self._settle()
        return self._histories

    @property
    def sketches(self) -> dict[str, History]:
        self._settle()
        return self._sketches

    @property
    def points(self) -> tuple[str, ...]:
        """Points that are measured, in the order of POINTS."""
        return tuple(name for name in POINTS if name in self._homes)

    def is_measured(self, name: str) -> bool:
        return name in self._homes

    def value(self, name: str) -> Value:
        """The newest reading; unknown when not measured, lost, stale or faulty, with the reason."""
        newest = self._values.get(name)  # asked for some twenty times a scan
        if newest is not None and newest[0] is self.latest[name] and self.now_ns <= newest[2] and not self.lost:
            return newest[1]
        unit = POINTS[name].unit
        home = self._homes.get(name)
        if home is None:
            return unknown(unit, self._unread.get(name, "not measured"))
        device_id, period_s = home
        if device_id in self.lost:
            return unknown(unit, self.lost[device_id])
        sample = self.latest.get(name)
        if sample is None:
            return unknown(unit, "no reading yet")
        age_s = (self.now_ns - sample.t_ns) / NS_PER_S
        fresh_s = max(3.0, 3.0 * period_s) + self.slack_s
        if age_s > fresh_s:
            return unknown(unit, CodedProblem("silent", f"no reading for {age_s:.0f} s"))
        if sample.value is None:
            return unknown(unit, _in_context(sample.problem, name) or "no reading")
        value = known(sample.value, unit, self.u(name), self.ambient.note if name in self.gauges else None)
        self._values[name] = sample, value, sample.t_ns + int(fresh_s * NS_PER_S)
        return value

    def period_s(self, name: str) -> float:
        """Between two readings of the point as its device says, 1 s when nothing is known."""
        return self._homes[name][1] if name in self._homes else 1.0

    def age_s(self, name: str) -> float | None:
        sample = self.latest.get(name)
        return None if sample is None else max(0.0, (self.now_ns - sample.t_ns) / NS_PER_S)

    def u(self, name: str) -> float | None:
        """Standard uncertainty of a reading of the point, the barometer's share included; None when not stated."""
        resolution, accuracy = self._u_of(name)
        if accuracy is None:
            return None
        around = (self.ambient.u_pa or 0.0) if name in self.gauges else 0.0
        return math.sqrt(resolution**2 + accuracy**2 + around**2)

    def series(self, name: str, since_ns: int, until_ns: int | None = None) -> Series:
        """The stage's history of a point as a Series with time zero at since_ns; empty when never measured."""
        return self._series(self.histories.get(name), name, since_ns, until_ns)

    def thinned_series(self, name: str, since_ns: int, until_ns: int | None = None) -> Series:
        """`series` in few buckets: an analysis must not hold up alarms."""
        return self._series(self.sketches.get(name), name, since_ns, until_ns)

    def history(self, name: str) -> History | None:
        return self.histories.get(name)

    def _series(self, history: History | None, name: str, since_ns: int, until_ns: int | None) -> Series:
        if history is None:
            return Series(name, [], [])
        resolution, accuracy = self._u_of(name)
        low, high = self._range.get(name, (None, None))
        return history.series(
            u=resolution,
            u_scale=accuracy or 0.0,
            low=low,
            high=high,
            since_s=(since_ns - history.start_ns) / NS_PER_S,
            until_s=math.inf if until_ns is None else (until_ns - history.start_ns) / NS_PER_S,
            expected_period_s=self.period_s(name),
            gauge=self._gauge if name == "vacuum" else NOTHING_STATED,
        )

    def measured(self, name: str, since_ns: int, until_ns: int | None = None) -> Series | None:
        """`series`, or None when there is nothing in it."""
        found = self.series(name, since_ns, until_ns)
        return found if len(found) else None

    def refrigerant(self) -> Refrigerant | None:
        if self.state.job is None:
            return None
        try:
            return self.state.catalogue.find(self.state.job.refrigerant)
        except UnknownRefrigerant:
            return None

    def cylinder_limits(self, state: JobState | None = None) -> CylinderLimits | Value:
        """Of the cylinder on the scale, or an unknown mass that says why there are none. state: of another time."""
        state = state or self.state
        cylinder, job = state.cylinder, state.job
        if cylinder is None or job is None:
            return unknown("kg", "no cylinder selected: `rimelog cylinder-swap NAME` says which one is on the scale")
        try:
            return limits(cylinder, job.jurisdiction, job.refrigerant, state.catalogue)
        except (ComputeError, UnknownRefrigerant) as exc:
            return unknown("kg", str(exc))

    def marks(self, act: str, since_ns: int) -> list[int]:
        """UTC ns of each time the act was marked since then."""
        return [mark.t_ns for mark in self.state.marks if mark.act == act and mark.t_ns >= since_ns]

    def undescribed(self) -> dict[str, Value]:
        """Points of the rig whose device has not described itself yet, unknown with the reason."""
        return {
            channel.point: unknown(
                POINTS[channel.point].unit,
                self._unread.get(channel.point) or self._why_not_read(self.state.device_key(device.name)),
            )
            for device in self.state.rig.devices
            for channel in device.channels
            if channel.point not in self._homes
        }

    def _why_not_read(self, device_key: str) -> str:
        """Why nothing is known of a device's channels."""
        device = self.devices.get(device_key)
        return self.lost.get(device_key) or (device.problem if device else None) or "no reading yet"


def _copied(one: T) -> T:
    """It, with lists, sets and tables of its own."""
    made = copy(one)
    for name, held in vars(one).items():
        if isinstance(held, list | dict | set):
            setattr(made, name, held.copy())
    return made


def _in_context(problem: str | None, point: str) -> str | None:
    """A pressure gauge that ends near atmospheric pressure reads under its range in every vacuum: no broken sensor."""
    if code_of(problem) == UNDER_RANGE.code and POINTS[point].quantity is Quantity.PRESSURE:
        return CodedProblem(UNDER_RANGE.code, "below this gauge's range, as in a vacuum")
    return problem
