"""Everything known of the job at one moment: what live quantities and analyses are computed from."""

import math
from typing import Any

from logger.compute.cylinder import CylinderLimits, limits
from logger.compute.errors import ComputeError
from logger.compute.pressure import SEA_LEVEL, Ambient, AmbientSource, ambient
from logger.model.points import POINTS
from logger.model.sample import PointSample, Series
from logger.model.value import Value, known, unknown
from logger.pipeline.devices import Device
from logger.pipeline.history import MAX_BUCKETS, History
from logger.pipeline.instruments import device_of
from logger.pipeline.state import JobState
from logger.pipeline.weighing import Weighing
from logger.refrigerant import Refrigerant, UnknownRefrigerant, find

NS = 1_000_000_000
SKETCH_BUCKETS = 400
BAROMETER_KEEPS_S = 1800.0
LEAD_S = 1800.0  # a stage's histories begin this long before it: what led to it belongs to its analysis


class Scene:
    """state: the job by its events. latest: newest sample of each point. histories: of the stage, from LEAD_S before
    it; sketches: the same in few buckets; trends: of the whole job. lost: why a device is not heard, by id.
    window_ns: where histories begin.
    """

    def __init__(self) -> None:
        self.state = JobState()
        self.devices: dict[str, Device] = {}
        self.latest: dict[str, PointSample] = {}
        self.histories: dict[str, History] = {}
        self.sketches: dict[str, History] = {}
        self.trends: dict[str, History] = {}
        self.weighing: Weighing | None = None
        self.ambient: Ambient = SEA_LEVEL
        self.lost: dict[str, str] = {}
        self.window_ns = 0
        self.evacuations = 0  # done in the job's ended stages
        self.results: dict[int, Any] = {}  # what the analyses of ended stages found, by number
        self.held: dict[str, int] = {}  # decay tests that held so far, by acceptance profile
        self.now_ns = 0
        self.brief = False  # series from the sketches: an analysis must not hold up alarms
        self.slack_s = 0.0  # how late readings may come beyond that: with a clock that runs faster than real time
        self._homes: dict[str, tuple[str, float]] = {}  # point -> (device id, expected period s)
        self.gauges: set[str] = set()  # points whose sensor measures against the air around it
        self._u: dict[str, tuple[float, float | None]] = {}  # point -> (of digits, of accuracy), SI
        self._range: dict[str, tuple[float | None, float | None]] = {}

    # -- taking in -----------------------------------------------------------------------------------------------

    def device(self, device_id: str) -> Device:
        """The device of that id, made on first sight with the rig's channels for it."""
        found = self.devices.get(device_id)
        if found is None:
            found = self.devices[device_id] = device_of(device_id, self.state.rig_device(device_id))
        return found

    def rig_loaded(self) -> None:
        """A rig is in force, perhaps with other calibrations than the one before a restart."""
        for device_id, device in self.devices.items():
            if device.use(self.state.rig_device(device_id)):
                self.described(device)

    def described(self, device: Device) -> None:
        """The device's channels became known, or changed."""
        for name in [n for n, (home, _) in self._homes.items() if home == device.device_id]:
            del self._homes[name]
        for decoder in device.decoders:
            name = decoder.point.name
            self._homes[name] = (device.device_id, decoder.describe.period_ms / 1000.0)
            self._range[name] = decoder.range_si(self.ambient.pressure_pa)
            (self.gauges.add if decoder.gauge else self.gauges.discard)(name)
            if name == "cylinder_mass":
                u = decoder.uncertainty(0)
                self.weighing = self.weighing or Weighing(u.resolution * math.sqrt(12), u.accuracy or 0.0, self.now_ns)

    def take(self, sample: PointSample) -> None:
        newest = self.latest.get(sample.point)
        if newest is None or sample.t_ns >= newest.t_ns:  # one that comes late, by resending, is no news
            self.latest[sample.point] = sample
        self._into(self.histories, sample, self.window_ns)
        self._into(self.sketches, sample, self.window_ns, SKETCH_BUCKETS)
        self._into(self.trends, sample, 0)
        if sample.point == "cylinder_mass" and sample.value is not None and self.weighing is not None:
            self.weighing.sample(sample.t_ns, sample.value)

    def begin_window(self, begun_ns: int) -> None:
        """A stage begins: new histories, with the last half hour carried over."""
        self.window_ns = begun_ns - int(LEAD_S * NS)
        self.histories = {n: h.carried_over(self.window_ns) for n, h in self.histories.items()}
        self.sketches = {n: h.carried_over(self.window_ns) for n, h in self.sketches.items()}

    def second(self) -> None:
        """Once a second: the barometer, and how sure the readings are."""
        job = self.state.job
        barometer = self.value("barometer") if "barometer" in self._homes else None
        kept = self.ambient.source is AmbientSource.MEASURED and (self.age_s("barometer") or 0.0) < BAROMETER_KEEPS_S
        if barometer is not None and barometer.number is None and kept:
            barometer = self.ambient.as_value()  # it changes by less than 0.1 kPa in that time
        try:
            self.ambient = ambient(
                barometer,
                job.barometer_pa if job else None,
                job.altitude_m if job else None,
            )
        except ComputeError:
            self.ambient = SEA_LEVEL
        for device in self.devices.values():
            for decoder, raw in device.readings():
                u = decoder.uncertainty(raw)
                self._u[decoder.point.name] = (u.resolution, u.accuracy)

    # -- asking --------------------------------------------------------------------------------------------------

    @property
    def points(self) -> tuple[str, ...]:
        """Points that are measured, in the order of POINTS."""
        return tuple(name for name in POINTS if name in self._homes)

    def value(self, name: str) -> Value:
        """The newest reading; unknown when not measured, lost, stale or faulty, with the reason."""
        unit = POINTS[name].unit
        home = self._homes.get(name)
        if home is None:
            return unknown(unit, "not measured")
        device_id, period_s = home
        if device_id in self.lost:
            return unknown(unit, self.lost[device_id])
        sample = self.latest.get(name)
        if sample is None:
            return unknown(unit, "no reading yet")
        age_s = (self.now_ns - sample.t_ns) / NS
        if age_s > max(3.0, 3.0 * period_s) + self.slack_s:
            return unknown(unit, f"no reading for {age_s:.0f} s")
        if sample.value is None:
            return unknown(unit, sample.problem or "no reading")
        return known(sample.value, unit, self.u(name), self.ambient.note if name in self.gauges else None)

    def age_s(self, name: str) -> float | None:
        sample = self.latest.get(name)
        return None if sample is None else max(0.0, (self.now_ns - sample.t_ns) / NS)

    def u(self, name: str) -> float | None:
        """Standard uncertainty of a reading of the point, the barometer's share included; None when not stated."""
        resolution, accuracy = self._u.get(name, (0.0, None))
        if accuracy is None:
            return None
        around = (self.ambient.u_pa or 0.0) if name in self.gauges else 0.0
        return math.sqrt(resolution**2 + accuracy**2 + around**2)

    def series(self, name: str, since_ns: int, until_ns: int | None = None) -> Series:
        """The stage's history of a point as a Series with time zero at since_ns; empty when never measured."""
        history = (self.sketches if self.brief else self.histories).get(name)
        if history is None:
            return Series(name, [], [])
        resolution, accuracy = self._u.get(name, (0.0, None))
        low, high = self._range.get(name, (None, None))
        return history.series(
            u=resolution,
            u_scale=accuracy or 0.0,
            low=low,
            high=high,
            since_s=(since_ns - history.start_ns) / NS,
            until_s=math.inf if until_ns is None else (until_ns - history.start_ns) / NS,
            expected_period_s=self._homes[name][1] if name in self._homes else 1.0,
        )

    def measured(self, name: str, since_ns: int, until_ns: int | None = None) -> Series | None:
        """`series`, or None when there is nothing in it."""
        found = self.series(name, since_ns, until_ns)
        return found if len(found) else None

    def refrigerant(self) -> Refrigerant | None:
        if self.state.job is None:
            return None
        try:
            return find(self.state.job.refrigerant)
        except UnknownRefrigerant:
            return None

    def cylinder_limits(self) -> CylinderLimits | Value:
        """Of the cylinder on the scale, or an unknown mass that says why there are none."""
        cylinder, job = self.state.cylinder, self.state.job
        if cylinder is None or job is None:
            return unknown("kg", "no cylinder told: `rimelog cylinder-swap NAME` says which one is on the scale")
        try:
            return limits(cylinder, job.jurisdiction, job.refrigerant)
        except (ComputeError, UnknownRefrigerant) as exc:
            return unknown("kg", str(exc))

    def marks(self, act: str, since_ns: int) -> list[int]:
        """UTC ns of each time the act was marked since then."""
        return [t for t, what, _ in self.state.marks if what == act and t >= since_ns]

    def _into(
        self, histories: dict[str, History], sample: PointSample, start_ns: int, most: int = MAX_BUCKETS
    ) -> None:
        history = histories.get(sample.point)
        if history is None:
            history = histories[sample.point] = History(sample.point, start_ns or sample.t_ns, max_buckets=most)
        if sample.value is None:
            history.fault(sample.t_ns, sample.problem or "no reading")
        else:
            history.add(sample.t_ns, sample.value)
