"""Readings of the scale that stop, and come late: what flowed meanwhile counts, and no jump is made of it."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.model.units import NS_PER_S
from logger.scale.outage import EVERY_NS, KEPT_NS, OUTAGE_NS, QUIET_NS, Outage
from logger.scale.state import ScaleState
from logger.statistics.history import History

S = NS_PER_S


class Line:
    """A scale read once a second, its history, and a link that can fall silent. A is on the scale, at 40 kg."""

    def __init__(self) -> None:
        self.scale, self.outage, self.history = ScaleState(0.01, 0.0, 0), Outage(), History("cylinder_mass", 0)
        self.swaps: list[tuple[int, str]] = []
        self.t_s = 0
        self.name("A")
        self.send(self.readings(60, 40.0, 40.0))

    def readings(self, for_s: int, begin_kg: float, end_kg: float) -> list[tuple[int, float]]:
        """Of the next seconds; they pass."""
        start, self.t_s = self.t_s, self.t_s + for_s
        return [((start + i) * S, begin_kg + (end_kg - begin_kg) * i / for_s) for i in range(for_s)]

    def send(self, readings: list[tuple[int, float]], now_s: float | None = None) -> None:
        for t_ns, kg in readings:
            now_ns = t_ns if now_s is None else int(now_s * S)
            self.outage.weigh(self.scale, t_ns, kg, self.swaps, now_ns)
            self.history.add(t_ns, kg)

    def name(self, cylinder: str) -> None:
        self.scale.name(cylinder, self.swaps[-1][1] if self.swaps else None)
        self.swaps.append((self.t_s * S, cylinder))

    def again(self) -> ScaleState | None:
        return self.outage.weighed_again(self.history, self.swaps, self.t_s * S)

    def moved(self, scale: ScaleState) -> float:
        found = scale.job.moved(20.0, float(self.t_s)).number
        assert found is not None
        return found


@given(silent_s=st.integers(15, 900), flow=st.floats(-0.03, 0.04))
@settings(max_examples=25, deadline=None)
def test_what_flowed_in_an_outage_counts_as_if_there_had_been_none(silent_s: int, flow: float) -> None:
    line, whole = Line(), Line()
    end = 40.0 + flow * silent_s
    for one in (line, whole):
        missed = one.readings(silent_s, 40.0, end)
        after = one.readings(60, end, end)
        if one is whole:
            one.send(missed + after)
        else:
            one.send(after)
            one.send(missed, one.t_s)
            assert one.outage.is_over(one.t_s * S + QUIET_NS + 1)
            again = one.again()
            assert again is not None
    assert again.on_scale.number == whole.scale.on_scale.number
    assert again.sure
    assert line.moved(again) == pytest.approx(whole.moved(whole.scale), abs=0.02)
    assert line.moved(again) == pytest.approx(end - 40.0, abs=0.03)


def test_a_swap_in_an_outage_is_no_refrigerant_whenever_it_was_named() -> None:
    for named in ("before", "in it", "after"):
        line = Line()
        if named == "before":
            line.name("B")
        missed = line.readings(60, 40.0, 42.0) + line.readings(30, 0.0, 0.0)
        if named == "in it":
            line.name("B")
        missed += line.readings(60, 20.0, 20.0)
        after = line.readings(60, 20.0, 21.0)
        line.send(after)
        if named == "after":
            line.name("B")
        after = line.readings(30, 21.0, 21.0)
        line.send(after)
        line.send(missed, line.t_s)
        again = line.again()
        assert again is not None, named
        assert again.on_scale.number == pytest.approx(21.0), named
        assert line.moved(again) == pytest.approx(3.0, abs=0.05), named
        assert [name for name, _ in again.ledger.by_cylinder()] == ["A", "B"], named


def test_only_a_silence_longer_than_ten_seconds_is_an_outage() -> None:
    for silent_s, found in ((OUTAGE_NS // S, False), (OUTAGE_NS // S + 1, True)):
        line = Line()
        missed = line.readings(silent_s - 1, 40.0, 40.0)
        line.send(line.readings(5, 40.0, 40.0))
        line.send(missed, line.t_s)
        assert (line.again() is not None) == found
    fresh = Outage()
    scale = ScaleState(0.01, 0.0, 0)
    fresh.weigh(scale, 500 * S, 40.0, [], 500 * S)  # nothing was heard before: nothing was missed
    assert fresh.weighed_again(History("cylinder_mass", 0), [], 500 * S) is None


def test_late_readings_are_weighed_when_no_more_come_or_every_minute() -> None:
    line = Line()
    missed = line.readings(200, 40.0, 44.0)
    line.send(line.readings(10, 44.0, 44.0))
    assert not line.outage.is_over(line.t_s * S + EVERY_NS * 2)  # nothing has come late
    came_s = line.t_s
    line.send(missed[:10], came_s)
    assert not line.outage.is_over(came_s * S + QUIET_NS)
    assert line.outage.is_over(came_s * S + QUIET_NS + 1)
    for i in range(10, 75):
        line.send(missed[i : i + 1], came_s + i - 10)
        assert line.outage.is_over((came_s + i - 10) * S) == ((i - 10) * S > EVERY_NS)
    assert line.again() is not None
    assert not line.outage.is_over((came_s + 500) * S)


def test_what_has_not_come_after_an_hour_is_not_waited_for() -> None:
    for more_ns, waited in ((0, True), (1, False)):
        line = Line()
        newest_ns = (line.t_s - 1) * S
        missed = line.readings(100, 40.0, 42.0)
        line.send(line.readings(10, 42.0, 42.0))
        line.send(missed, line.t_s)
        assert line.outage.is_over(newest_ns + KEPT_NS + more_ns)
        assert (line.again() is not None) == waited


def test_the_first_of_several_outages_is_where_weighing_begins_again_until_a_stage_begins() -> None:
    line = Line()
    first = line.readings(60, 40.0, 41.0)
    line.send(line.readings(20, 41.0, 41.0))
    second = line.readings(60, 41.0, 42.0)
    line.send(line.readings(60, 42.0, 42.0))
    line.send(first + second, line.t_s)
    again = line.again()
    assert again is not None and line.moved(again) == pytest.approx(2.0, abs=0.03)
    kept = line.again()
    assert kept is not None and kept is not again and kept.on_scale == again.on_scale
    line.outage.forget()
    assert line.again() is None
