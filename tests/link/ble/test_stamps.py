"""Which of a scale's time-stamped weights are of now. The scale's clock is an invented one, an hour and more off."""

from datetime import datetime, timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from logger.link.ble.stamps import SET_BACK_S, SETTLE_S, Stamps

CLOCK = datetime.fromisoformat("2031-02-28T23:59:00")


def stamp(at_s: float) -> datetime:
    """What the scale writes at a time of ours."""
    return (CLOCK + timedelta(seconds=at_s)).replace(microsecond=0)


@given(st.floats(0, 1e6), st.floats(0.2, 20.0), st.floats(-100e-6, 100e-6))
@settings(max_examples=50, deadline=None)
def test_weights_of_now_are_taken_once_the_clock_is_known(begun_s: float, period_s: float, drift: float) -> None:
    stamps = Stamps()
    times = [begun_s + i * period_s for i in range(200)]
    taken = [stamps.is_of_now(stamp(t * (1 + drift)), t) for t in times]
    settled = [is_of_now for t, is_of_now in zip(times, taken, strict=True) if t > begun_s + SETTLE_S + 2]
    assert not taken[0]
    assert settled.count(False) <= 4  # as many as a drifting clock's seconds cost


@given(st.lists(st.floats(1, 1e6), min_size=1, max_size=30), st.booleans())
@settings(max_examples=50, deadline=None)
def test_what_was_kept_is_not_of_now(ages_s: list[float], known: bool) -> None:
    stamps, now_s = Stamps(), 1000.0
    if known:  # before the connection was lost
        for i in range(10):
            stamps.is_of_now(stamp(now_s + i), now_s + i)
        now_s += 2000.0
    for i, age_s in enumerate(sorted(ages_s, reverse=True)):  # the oldest first, at once
        measured_s = now_s - 4 - age_s
        assert not stamps.is_of_now(stamp(measured_s), now_s + 0.01 * i)
    later = [stamps.is_of_now(stamp(t), t) for t in (now_s + 1, now_s + 2, now_s + 10)]
    assert later[-1]


def test_a_second_of_each_minute_kept_in_a_long_row_is_not_of_now() -> None:
    """Kept every second while nobody was connected: each comes a little later on the scale's clock than on ours."""
    stamps = Stamps()
    for i in range(600):
        assert not stamps.is_of_now(stamp(1000 + i), 2000 + 0.005 * i)


def test_a_clock_that_is_set_is_followed() -> None:
    stamps, hour = Stamps(), timedelta(hours=1)
    times = [float(t) for t in range(10)]
    assert [stamps.is_of_now(stamp(t), t) for t in times][-1]
    assert [stamps.is_of_now(stamp(t + 10) + hour, t + 10) for t in times][-1]
    back = [stamps.is_of_now(stamp(t + 20), t + 20) for t in map(float, range(60))]
    assert not any(back[: int(SET_BACK_S)])
    assert back[-1]
