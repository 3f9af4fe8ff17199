"""What is told of the alarm list, and when again."""

import logging

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.alarms.memory import AlarmRow
from logger.annunciate.news import MANY, News
from logger.model.alarm import Priority, State
from logger.wording.book import AlarmText
from tests.annunciate.fakes import row, text


def news(repeat_s: float = 600.0) -> News:
    return News(text, repeat_s)


def titles_of(n: News, rows: list[AlarmRow], t: float) -> list[str]:
    return [m.title for m in n.of(rows, t)]


def test_each_alarm_once_and_its_end() -> None:
    n = news()
    assert titles_of(n, [row("a")], 0) == ["Alarm: A"]
    assert titles_of(n, [row("a")], 5000) == []
    assert titles_of(n, [row("a", State.ACKNOWLEDGED)], 5001) == []
    (message,) = n.of([], 6000)
    assert (message.title, message.body) == ("Back to normal", "A.")
    assert titles_of(n, [], 6001) == []


def test_urgent_is_told_again_while_nobody_answers() -> None:
    n = news(600)
    urgent = row("a", priority=Priority.URGENT)
    assert titles_of(n, [urgent], 0) == ["URGENT: A"]
    assert titles_of(n, [urgent], 599) == []
    assert titles_of(n, [urgent], 600) == ["URGENT: A (alert 2)"]
    assert titles_of(n, [urgent], 1300) == ["URGENT: A (alert 3)"]
    assert titles_of(n, [row("a", State.ACKNOWLEDGED, priority=Priority.URGENT)], 2000) == []


def test_a_new_raise_is_news_again() -> None:
    n = news()
    assert titles_of(n, [row("a")], 0) == ["Alarm: A"]
    assert titles_of(n, [row("a", State.RETURNED)], 1) == ["Back to normal"]
    assert titles_of(n, [row("a", State.RETURNED)], 2) == []
    assert titles_of(n, [row("a", raised_ns=2)], 3) == ["Alarm: A"]


def test_shelved_is_not_back_to_normal() -> None:
    n = news()
    titles_of(n, [row("a")], 0)
    assert titles_of(n, [row("a", State.SHELVED)], 1) == []
    assert titles_of(n, [row("a", State.OUT_OF_SERVICE)], 2) == []


def test_low_alarms_are_not_sent() -> None:
    assert titles_of(news(), [row("a", priority=Priority.LOW)], 0) == []


def test_many_at_once_are_one_message_that_names_the_first() -> None:
    rows = [row(f"a{i}", first_out=i == 3) for i in range(MANY + 1)]
    (message,) = news().of(rows, 0)
    assert message.title == f"{MANY + 1} alarms"
    assert message.body == "First: A3, 2 kg. Do something. Also: A0, A1, A2, A4, A5."


def test_in_a_flood_only_the_flood_and_urgent_ones_are_told() -> None:
    n = news()
    rows = [row("many-alarms"), row("a"), row("b", priority=Priority.URGENT)]
    assert titles_of(n, rows, 0) == ["Alarm: Many-Alarms", "URGENT: B"]
    calm = [row("many-alarms", State.RETURNED), row("a"), row("b", priority=Priority.URGENT)]
    assert titles_of(n, calm, 10) == ["Alarm: A", "Back to normal"]  # what it held back, and its end


def test_an_alarm_goes_out_even_when_its_words_fail(caplog: pytest.LogCaptureFixture) -> None:
    def broken(r: AlarmRow) -> AlarmText:
        raise KeyError("units")

    caplog.set_level(logging.ERROR)
    (message,) = News(broken, 600).of([row("a")], 0)
    assert message.body == "a."
    assert "cannot be made" in caplog.text


STATES = st.sampled_from([None, *State])


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(STATES, STATES, st.booleans()), max_size=30))
def test_no_unseen_urgent_alarm_goes_untold(steps: list[tuple[State | None, State | None, bool]]) -> None:
    """Whatever the list does, an unseen alarm is among the messages of the step in which it first stands in it."""
    n, raised = news(), {"a": 0, "b": 0}
    seen: set[tuple[str, int]] = set()
    for t, (a, b, new) in enumerate(steps):
        rows = []
        for key, state in (("a", a), ("b", b)):
            raised[key] += new
            if state not in (None, State.NORMAL, State.SUPPRESSED):
                assert state is not None
                rows.append(row(key, state, priority=Priority.URGENT, raised_ns=raised[key]))
        titles = " ".join(titles_of(n, rows, t))
        for r in rows:
            if r.unseen and (r.key, raised[r.key]) not in seen:
                assert f"URGENT: {text(r).label}" in titles
                seen.add((r.key, raised[r.key]))
        seen = {(key, r) for key, r in seen if key in {x.key for x in rows}}
