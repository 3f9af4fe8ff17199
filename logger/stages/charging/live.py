"""Weighing a charge in: how much is in, how much to go, when to close the valve.

The scale may carry the supply cylinder (it loses mass) or the receiver (it gains). Closing takes time: the hand, the
valve, what still runs out of the hose. So "close now" comes ahead by the rate times the closing time, which is learned
from each stop, and begins on the long side; what is then missing is topped up.

Caution: a cylinder is opened, heated or inverted only as its markings and licensed practice allow.
"""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum

from logger.model.points import Quantity
from logger.model.value import Argument, Statement, Value, known, name_of, number, unknown
from logger.physics.superheat import high_side_margin
from logger.scale.time_left import TimeLeft, time_left
from logger.stages.charging.definition import Inputs, direction_of
from logger.stages.high_side import high_side
from logger.stages.weighed import NO_SCALE, scale_problem

CLOSING_S = 4.0  # until learned: a slow hand on the valve (common practice, no source); short rather than over
MIN_CLOSING_S, MAX_CLOSING_S = 0.3, 15.0
_SETTLED_S = 15.0
_NOTICED_S = 12.0  # until a flow that has just begun is seen
_NEAR = 0.6  # of a division: nearer cannot be read


class Advice(StrEnum):
    """What to do with the valve."""

    WAIT = "waiting for flow"
    FLOWING = "charging"
    CLOSE = "close now"
    TOP_UP = "short: open again with care"
    DONE = "target met"
    OVER = "over the target"


@dataclass(frozen=True, slots=True)
class ChargingNow:
    """charged, to_go, over: kg. rate: kg/s into the system. time_to_close: seconds until "close now".

    most_rate: faster than this, what is missing would be through before the valve could be closed again.
    """

    charged: Value
    to_go: Value
    over: Value
    rate: Value
    time_to_close: TimeLeft
    most_rate: Value
    advice: Advice


class ChargingWatch:
    """Live. target: kg into the system in this stage. resolution_kg: the scale's division.

    direction: -1 when the supply cylinder is on the scale, +1 for the receiver, None to find out from the first mass
    that moves. closing_s: from "close now" to no flow, as far as it is known beforehand.
    """

    def __init__(
        self, target: Value, *, resolution_kg: float, direction: int | None = None, closing_s: float = CLOSING_S
    ) -> None:
        self.target, self.resolution_kg, self.direction, self.closing_s = target, resolution_kg, direction, closing_s
        self.advice = Advice.WAIT
        self._closing: tuple[float, float, float] | None = None  # (when, charged, rate) at "close now"
        self._still_since_s: float | None = None

    def update(self, t_s: float, moved: Value, scale_rate: Value, quick: Value | None = None) -> ChargingNow:
        """moved: by the scale, positive when it gained (MassLedger.moved); scale_rate likewise (MassRate.value).

        quick: MassRate.quick, for a valve that moved a moment ago. Best fed with every reading, and `moved` from a
        level carried on to the moment (MassRate.level_at).
        """
        if moved.number is None:
            return self._unknown(str(moved.problem), scale_rate)
        self._find_direction(moved)
        if self.direction is None:
            charged = known(0.0, "kg", moved.u, "no mass has moved yet")
            rate = unknown("kg/s", "no mass has moved yet")
        else:
            charged = known(self.direction * moved.number, "kg", moved.u, moved.note)
            rate = scale_rate
            if scale_rate.number is not None:
                rate = known(self.direction * scale_rate.number, "kg/s", scale_rate.u, scale_rate.note)
        if self.target.number is None:
            none = unknown("kg", str(self.target.problem))
            advice = Advice.WAIT if self.direction is None else Advice.FLOWING
            return ChargingNow(charged, none, none, rate, time_left(none, rate), none, advice)
        assert charged.number is not None
        u = math.hypot(charged.u or 0.0, self.target.u or 0.0)
        to_go = known(self.target.number - charged.number, "kg", u)
        flow = self._flow(rate, quick)
        self._advise(t_s, charged.number, flow, self.target.number)
        left = known(self.target.number - charged.number - flow * self.closing_s, "kg", u)
        over = known(max(0.0, charged.number - self.target.number), "kg", u)
        most = known(max(to_go.number or 0.0, 0.0) / (self.closing_s + _NOTICED_S), "kg/s")
        return ChargingNow(charged, to_go, over, rate, time_left(left, rate), most, self.advice)

    def _unknown(self, problem: str, rate: Value) -> ChargingNow:
        none = unknown("kg", problem)
        return ChargingNow(none, none, none, rate, time_left(none, rate), none, self.advice)

    def _find_direction(self, moved: Value) -> None:
        assert moved.number is not None
        if self.direction is None and abs(moved.number) > max(3 * self.resolution_kg, 6 * (moved.u or 0.0)):
            self.direction = 1 if moved.number > 0 else -1

    def _flow(self, rate: Value, quick: Value | None) -> float:
        """kg/s into the system for deciding when to close: 0 where none can be told from noise."""
        flow = 0.0
        if rate.number is not None and rate.number > max(3 * (rate.u or 0.0), self.resolution_kg / 60):
            flow = rate.number
        if quick is not None and quick.number is not None and self.direction is not None:
            fresh, u = self.direction * quick.number, quick.u or 0.0
            if abs(fresh - flow) > 3 * u:
                flow = max(fresh, 0.0)
        return flow

    def _advise(self, t_s: float, charged: float, flow: float, target: float) -> None:
        missing = target - charged
        if self._closing is not None:
            self._learn(t_s, charged, flow > 0)
            if self._closing is not None:
                return
        if flow > 0 and missing <= flow * self.closing_s + 0.3 * self.resolution_kg:
            self._closing = (t_s, charged, flow)
            self._still_since_s = None
            self.advice = Advice.CLOSE
        elif missing < -self.resolution_kg:
            self.advice = Advice.OVER
        elif flow > 0:
            self.advice = Advice.FLOWING
        elif missing <= _NEAR * self.resolution_kg:
            self.advice = Advice.DONE
        elif self.advice is not Advice.WAIT:
            self.advice = Advice.TOP_UP

    def _learn(self, t_s: float, charged: float, flowing: bool) -> None:
        """Once the flow has stopped: what came after "close now", as seconds of its rate."""
        assert self._closing is not None
        when, at_close, rate = self._closing
        if flowing:
            self._still_since_s = None
            if t_s - when > 120.0:  # nobody closed: go on advising
                self._closing = None
            return
        if self._still_since_s is None:
            self._still_since_s = t_s
        if t_s - self._still_since_s < _SETTLED_S:
            return
        if rate > 0:
            took = min(max((charged - at_close) / rate, MIN_CLOSING_S), MAX_CLOSING_S)
            u_took = self.resolution_kg / rate  # a trickle tells little about the time
            self.closing_s += 0.7 / (1 + u_took**2) * (took - self.closing_s)
        self._closing = None


class ScaleWatch:
    """The watch of a charging stage: a ChargingWatch fed by the scale as soon as there is one."""

    def __init__(self, now: Inputs) -> None:
        self.charging: ChargingWatch | None = None
        self._now: ChargingNow | None = None

    def update(self, now: Inputs) -> Mapping[str, Value]:
        """The live quantities of charging, by name, in SI."""
        margin = high_side_margin(high_side(now.values), now.settings.high_side_limit)
        if now.scale is None:
            none = unknown("kg", NO_SCALE)
            return {
                "mass_rate": unknown("kg/s", NO_SCALE), "charge_to_go": none, "charged": none,
                "high_side_margin": margin,
            }  # fmt: skip
        watch = self.charging = self.charging or _watch_of(now)
        t_s = now.scale.seconds(now.until_ns)
        moved, rate, quick = now.scale.moved_at(t_s), now.scale.rate.value, now.scale.rate.quick
        if (silent := scale_problem(now)) is not None:
            moved, rate, quick = unknown("kg", silent), unknown("kg/s", silent), unknown("kg/s", silent)
        found = self._now = watch.update(t_s, moved, rate, quick)
        return {
            "mass_rate": found.rate,
            "charged": found.charged,
            "charge_to_go": found.to_go,
            "time_to_stop": found.time_to_close.value,
            "high_side_margin": margin,
        }

    def advice(self, now: Inputs) -> tuple[Statement, ...]:
        """What to do now; nothing while there is nothing to do."""
        if (silent := scale_problem(now)) is not None:
            return (Statement("charging.scale_silent", (name_of("why", silent),)),)
        if self._now is None or self.charging is None:
            return ()
        quick = now.scale.rate.quick if now.scale is not None else None
        stopped = quick is not None and quick.number is not None and abs(quick.number) <= 3 * (quick.u or 0.0)
        return tuple(_advice(self._now, self.charging.resolution_kg, stopped))


def _watch_of(now: Inputs) -> ChargingWatch:
    assert now.scale is not None
    target = now.settings.target
    no_target = unknown("kg", "no target: give one with `--target 220lb` at the stage's beginning")
    return ChargingWatch(
        no_target if target is None else known(target, "kg"),
        resolution_kg=now.scale.resolution_kg,
        direction=direction_of(now.settings),
    )


def _advice(now: ChargingNow, division_kg: float, stopped: bool) -> Iterator[Statement]:
    """stopped: the last few readings show no flow; the settled rate follows within a minute."""
    near = now.to_go.number is not None and abs(now.to_go.number) <= division_kg
    over = now.over.number is not None and now.over.number > division_kg
    if now.advice is Advice.CLOSE and not (stopped and over):
        yield Statement("charging.settling" if stopped else "charging.close_now")
    elif now.advice is Advice.DONE or (now.advice is Advice.TOP_UP and near):
        yield Statement("charging.target_met")
    elif now.advice is Advice.OVER or over:
        yield Statement("charging.over_target", (number("over", Quantity.MASS, now.over),))
    elif now.advice is Advice.TOP_UP:
        yield Statement("charging.top_up", (number("short", Quantity.MASS, now.to_go), _fastest(now)))
    elif now.advice is Advice.WAIT:
        yield Statement("charging.wait")
    elif _faster(now.rate, now.most_rate):
        yield Statement("charging.slow_down", (_fastest(now),))
    elif now.time_to_close.high_s is not None and now.time_to_close.high_s < 3 * (now.time_to_close.low_s or 0.0) + 10:
        soon = (number(name, Quantity.TIME, known(s or 0.0, "s")) for name, s in _ends(now.time_to_close))
        yield Statement("charging.close_in", tuple(soon))


def _faster(rate: Value, most: Value) -> bool:
    return rate.number is not None and most.number is not None and rate.number > most.number


def _fastest(now: ChargingNow) -> Argument:
    return number("fastest", Quantity.MASS_RATE, now.most_rate)


def _ends(left: TimeLeft) -> tuple[tuple[str, float | None], ...]:
    return ("soonest", left.low_s), ("latest", left.high_s)
