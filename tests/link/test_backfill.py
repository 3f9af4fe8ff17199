"""What is asked for, and when it is given up."""

from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_protocol.messages import Resending
from firmware_protocol.requests import ResendFrom
from logger.link.session.backfill import QUIET_NS, TRIES, WINDOW_FRAMES, WINDOWS, Backfill
from logger.model.sequence import Arrival, SequenceTracker

WRAP = 2**32


class Booked(Backfill):
    """With the tracker of a device model that books what arrives."""

    def __init__(self, next_sequence: int, supported: bool) -> None:
        self.tracker = SequenceTracker(next_sequence)
        super().__init__(self.tracker, supported)

    def came(self, sequence: int, now_ns: int) -> Arrival:
        arrival = self.tracker.arrived(sequence)
        self.arrived(sequence, arrival, now_ns)
        return arrival


def with_hole(first: int, last: int) -> Booked:
    backfill = Booked(first, supported=True)
    backfill.came((last + 1) % WRAP, 0)
    return backfill


def test_nothing_missing_nothing_asked() -> None:
    backfill = Booked(5, supported=True)
    backfill.came(5, 0)
    assert backfill.next_request(0) is None


def test_a_hole_is_asked_for_and_filled() -> None:
    backfill = with_hole(10, 12)
    assert backfill.next_request(0) == ResendFrom(0, 10, 3)
    backfill.answered(Resending(1, 1, 10, 3, 0, 14), 0)
    assert backfill.next_request(1) is None  # being sent
    assert [backfill.came(n, 2) for n in (10, 11, 12)] == [Arrival.BACKFILLED] * 3
    assert backfill.missing == 0
    assert backfill.next_request(3) is None
    assert backfill.take_lost() == []


def test_a_window_in_which_nothing_comes_is_asked_for_again() -> None:
    backfill = with_hole(10, 12)
    backfill.next_request(0)
    backfill.answered(Resending(1, 1, 10, 3, 0, 14), 0)
    backfill.came(10, 5)
    assert backfill.next_request(QUIET_NS) is None
    assert backfill.next_request(QUIET_NS + 5) == ResendFrom(0, 11, 2)


def test_across_the_wrap() -> None:
    backfill = with_hole(WRAP - 2, WRAP + 1)
    assert backfill.next_request(0) == ResendFrom(0, WRAP - 2, 4)
    backfill.answered(Resending(1, 1, 0, 2, 0, 3), 0)  # the two before the wrap are gone
    assert backfill.take_lost() == [(WRAP - 2, WRAP - 1, "the device no longer holds them")]
    assert backfill.came(0, 1) is Arrival.BACKFILLED
    assert backfill.came(1, 1) is Arrival.BACKFILLED


def test_holes_close_together_are_asked_for_at_once_and_windows_are_bounded() -> None:
    backfill = Booked(0, supported=True)
    for number in (1, 3, 5, 200, 500):
        backfill.came(number, 0)
    assert backfill.next_request(0) == ResendFrom(0, 0, WINDOW_FRAMES)


def test_what_the_device_no_longer_holds_is_lost() -> None:
    backfill = with_hole(0, 300)
    backfill.next_request(0)
    backfill.answered(Resending(1, 1, 0, 0, 250, 302), 0)
    assert backfill.take_lost() == [(0, WINDOW_FRAMES - 1, "the device no longer holds them")]
    assert backfill.missing == 201


def test_a_device_that_cannot_resend() -> None:
    backfill = Booked(0, supported=False)
    backfill.came(7, 0)
    assert backfill.next_request(0) is None
    assert backfill.take_lost() == [(0, 6, "the device cannot resend")]


def test_a_device_that_promises_and_does_not_send() -> None:
    backfill = with_hole(0, 1_000_000)
    asked = 0
    for step in range(10 * TRIES):
        if (request := backfill.next_request(step * 10 * QUIET_NS)) is not None:
            asked += 1
            backfill.answered(Resending(1, 1, request.first, request.count, 0, 0), step * 10 * QUIET_NS)
    assert asked == WINDOWS * TRIES
    assert backfill.missing == 0
    assert [why for _, _, why in backfill.take_lost()][-1] == f"nothing resent in {WINDOWS * TRIES} requests"


@settings(max_examples=200, deadline=None)
@given(
    st.lists(
        st.one_of(
            st.tuples(st.just("frame"), st.integers(0, 400)),
            st.tuples(st.just("ask"), st.integers(0, 0)),
            st.tuples(st.just("reply"), st.integers(0, WRAP - 1)),
            st.tuples(st.just("announce"), st.integers(0, 400)),
        ),
        max_size=80,
    ),
    st.integers(0, 0xFFFF),
)
def test_whatever_the_device_says_every_number_ends_once(steps: list[tuple[str, int]], count: int) -> None:
    """Delivered, missing or lost: each sequence number below `next` is exactly one of them."""
    backfill = Booked(0, supported=True)
    delivered: list[int] = []
    lost: list[int] = []
    for now, (what, number) in enumerate(steps):
        if what == "frame":
            if backfill.came(number, now) is not Arrival.DUPLICATE:
                delivered.append(number)
        elif what == "ask":
            backfill.next_request(now * QUIET_NS)
        elif what == "reply":
            backfill.answered(Resending(1, 1, number, count, 0, 0), now)
        else:
            backfill.announced(number)
        lost += [n for first, last, _ in backfill.take_lost() for n in range(first, last + 1)]
    assert len(set(delivered + lost)) == len(delivered) + len(lost)
    assert len(delivered) + len(lost) + backfill.missing == backfill.tracker.next
