"""The transition table itself, and the page made from it."""

from logger.alarms.states import AUDIBLE, STANDING, TABLE, UNSEEN, next_state
from logger.model.alarm import AlarmEvent, State
from tests.alarm_page import PAGE, page


def test_page_is_the_one_made_from_the_code() -> None:
    assert PAGE.read_text(encoding="utf-8") == page(), "run: python -m tests.alarm_page"


def test_page_draws_every_row() -> None:
    drawn = [line for line in page().splitlines() if " --> " in line and "[*]" not in line]
    assert len(drawn) == len(TABLE)


def test_table_is_deterministic() -> None:
    seen: dict[tuple[State, AlarmEvent, bool], State] = {}
    for row in TABLE:
        for latching in (False, True) if row.latching is None else (row.latching,):
            assert (row.state, row.event, latching) not in seen
            seen[row.state, row.event, latching] = row.to


def test_every_state_is_entered_and_left() -> None:
    assert {row.to for row in TABLE} == set(State) == {row.state for row in TABLE}
    assert {row.event for row in TABLE} == set(AlarmEvent)


def test_every_row_moves() -> None:
    assert all(row.state is not row.to for row in TABLE)


def test_only_a_person_ends_what_nobody_has_seen() -> None:
    """From an unseen state, the condition and the stage lead to unseen states only."""
    for state in UNSEEN:
        for event in (
            AlarmEvent.RAISE,
            AlarmEvent.RETURN,
            AlarmEvent.SUPPRESS,
            AlarmEvent.RESUME,
            AlarmEvent.REMIND,
            AlarmEvent.UNSHELVE,
        ):
            for latching in (False, True):
                to = next_state(state, event, latching)
                assert to is None or to in UNSEEN


def test_only_a_person_silences_a_latching_alarm() -> None:
    for state in AUDIBLE:
        for event in (AlarmEvent.RAISE, AlarmEvent.RETURN, AlarmEvent.SUPPRESS, AlarmEvent.RESUME, AlarmEvent.REMIND):
            to = next_state(state, event, True)
            assert to is None or to in AUDIBLE


def test_a_latched_alarm_needs_acknowledgement_then_reset() -> None:
    assert next_state(State.LATCHED_UNACKNOWLEDGED, AlarmEvent.RESET, True) is None
    assert next_state(State.LATCHED_UNACKNOWLEDGED, AlarmEvent.ACKNOWLEDGE, True) is State.LATCHED_ACKNOWLEDGED
    assert next_state(State.LATCHED_ACKNOWLEDGED, AlarmEvent.RESET, True) is State.NORMAL


def test_names_are_those_of_isa_18_2() -> None:
    """State names of ANSI/ISA-18.2 as listed in the project's sources ("returned to normal" shortened)."""
    assert {str(state) for state in State} == {
        "normal", "unacknowledged", "acknowledged", "returned unacknowledged", "latched unacknowledged",
        "latched acknowledged", "shelved", "suppressed by design", "out of service",
    }  # fmt: skip
    assert {State.UNACKNOWLEDGED, State.ACKNOWLEDGED} == STANDING
