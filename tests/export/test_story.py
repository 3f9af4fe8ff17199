"""The job as its records tell it."""

from dataclasses import replace

import pytest

from logger.evidence.chain import new_event
from logger.evidence.errors import BundleError
from logger.export.story import Story
from logger.model import records as r
from logger.model.alarm import AlarmEvent, State
from logger.model.events import DeviceHello, DeviceLost, NoteWritten, RigLoaded
from logger.model.instrument import TEXT
from logger.model.rig import Rig, RigDevice
from logger.model.units import NS_PER_S
from logger.wording.values import Shown
from tests.export.invented import MANIFOLD, T0_NS, Recorder, alarm, opened, short_job


def story_of(rec: Recorder) -> Story:
    story = Story()
    assert list(story.passing(rec.source())) == rec.records
    return story


def test_counts_head_and_facts() -> None:
    rec = short_job()
    story = story_of(rec)
    assert (story.count, story.head) == (len(rec.records), rec.records[-1].digest)
    assert (story.software, story.utc_offset_s, story.speed) == ("0.1.0", -21_600, 1.0)
    assert story.points == ("cylinder_mass", "cylinder_pressure", "recovery_inlet_pressure", "vacuum")
    assert (story.first_ns, story.last_ns) == (T0_NS, T0_NS + 63 * NS_PER_S)


def test_an_alarm_is_one_entry_from_raise_to_return() -> None:
    (entry,) = story_of(short_job()).alarms()
    assert (entry.raised_ns, entry.acknowledged_ns, entry.cleared_ns) == tuple(
        T0_NS + s * NS_PER_S for s in (40, 50, 52)
    )
    assert (entry.label, entry.acknowledged_by, entry.first_out) == ("Cylinder nearly full", "J. Invented", True)
    assert entry.value.number == 0.912  # at the raise, not at the return


def test_an_alarm_raised_again_is_another_entry_and_one_still_standing_has_no_end() -> None:
    rec = opened({})
    unseen, returned = State.UNACKNOWLEDGED, State.RETURNED
    for t_s, event, before, after in (
        (1, AlarmEvent.RAISE, State.NORMAL, unseen),
        (2, AlarmEvent.RETURN, unseen, returned),
        (3, AlarmEvent.RAISE, returned, unseen),
    ):
        rec.add(new_event(alarm(T0_NS + t_s * NS_PER_S, event, before, after)))
    first, second = story_of(rec).alarms()
    assert first.cleared_ns == T0_NS + 2 * NS_PER_S and first.acknowledged_ns is None
    assert second.raised_ns == T0_NS + 3 * NS_PER_S and second.cleared_ns is None


def test_shelving_an_alarm_stands_in_the_diary() -> None:
    rec = opened({})
    change = alarm(T0_NS + NS_PER_S, AlarmEvent.SHELVE, State.NORMAL, State.SHELVED, operator="J. Invented",
                   reason="scale moved", cause="shelved for 30 min")  # fmt: skip
    rec.add(new_event(change))
    acts = story_of(rec).acts(Shown())
    assert [(a.kind, a.by) for a in acts if a.kind == "alarm"] == [("alarm", "J. Invented")]
    assert "scale moved" in acts[-1].text


def test_gaps_of_every_kind_have_bounds() -> None:
    rec = opened({})
    rec.event(
        r.GAP, T0_NS + 9 * NS_PER_S, from_ns=T0_NS + NS_PER_S, to_ns=T0_NS + 4 * NS_PER_S, cause="the computer slept"
    )
    rec.event(r.GAP, T0_NS + 10 * NS_PER_S, from_ns=T0_NS + 5 * NS_PER_S, cause="the program was not running")
    rec.event(r.GAP, T0_NS + 11 * NS_PER_S, device="ab", cause="not in its buffer", frames=12, first=1, last=12)
    found = [(g.begin_ns - T0_NS, g.end_ns - T0_NS, g.cause) for g in story_of(rec).gaps()]
    assert found == [
        (NS_PER_S, 4 * NS_PER_S, "the computer slept"),
        (5 * NS_PER_S, 10 * NS_PER_S, "the program was not running"),
        (11 * NS_PER_S, 11 * NS_PER_S, "not in its buffer (12 frames)"),
    ]


def test_an_instrument_without_frame_numbers_that_was_silent_is_a_gap_and_a_numbered_one_is_not() -> None:
    """What a numbered device has not sent is noted as lost frames, if it cannot be fetched."""
    rec = opened({})
    scale, board = RigDevice("scale", None, kind=TEXT), RigDevice("board", None, "ab")
    rec.add(new_event(RigLoaded(t_ns=T0_NS + 5 * NS_PER_S, rig=Rig("van", (scale, board)))))
    for at_s, event in (
        (10, DeviceLost(t_ns=0, device="s", name="scale", reason="device lost: it is silent")),
        (11, DeviceLost(t_ns=0, device="ab", name="board", reason="device lost: it is silent")),
        (70, DeviceHello(t_ns=0, device="s", name="scale")),
        (80, DeviceLost(t_ns=0, device="s", name="scale", reason="unplugged")),
        (95, NoteWritten(t_ns=0, text="end")),
    ):
        rec.add(new_event(replace(event, t_ns=T0_NS + at_s * NS_PER_S)))
    found = [((g.begin_ns - T0_NS) // NS_PER_S, (g.end_ns - T0_NS) // NS_PER_S, g.device) for g in story_of(rec).gaps()]
    assert found == [(10, 70, "scale"), (80, 95, "scale")]


def test_every_event_of_the_job_is_a_row_in_order_of_time() -> None:
    rec = short_job()
    rec.event("of-a-later-version", T0_NS + 5, what="=cmd", n=3)
    story = story_of(rec)
    rows = list(story.rows(Shown()))
    assert len(rows) == len(story.events)
    assert [row[0] for row in rows] == sorted(row[0] for row in rows)
    assert ("of-a-later-version", "", '{"n": 3, "what": "=cmd"}', "") in [row[2:] for row in rows]


def test_clocks_are_told_in_words_one_line_a_device() -> None:
    rec = opened({})
    for t_s, error_ns, drift in ((1, 40_000_000, 1.2e-4), (2, 90_000_000, -2.5e-5), (3, 10_000_000, 1e-6)):
        fit = {"drift": drift, "error_ns": error_ns, "delay_ns": None}
        rec.event(r.CLOCK, T0_NS + t_s * NS_PER_S, device=MANIFOLD, fit=fit)
    rec.event(r.CLOCK, T0_NS + 4 * NS_PER_S, cause="the clock was set")
    rec.event(
        r.CLOCK, T0_NS + 5 * NS_PER_S, v=2, device=MANIFOLD, fit={"error_ns": "soon"}
    )  # of another version: passed over
    trouble, fit_line = story_of(rec).clocks(Shown())
    assert trouble == "the clock was set"
    assert fit_line.endswith("right within 0.09 s") and "ppm" not in fit_line
    texts = [row[4] for row in story_of(rec).rows(Shown()) if row[2] == r.CLOCK]
    assert "120 ppm slow" in texts[0] and not any("{" in text for text in texts[:4])


@pytest.mark.parametrize("missing", ["job", "kind"])
def test_an_event_that_cannot_be_read_names_its_record(missing: str) -> None:
    rec = Recorder()
    if missing == "job":
        rec.event(r.JOB_OPENED, T0_NS)
    else:
        rec.event(r.STAGE_BEGUN, T0_NS, number=1)
    with pytest.raises(BundleError, match=r"record 1: the event cannot be read"):
        story_of(rec)


def test_records_that_open_no_job_are_told() -> None:
    story = Story()
    list(story.passing([replace(rec) for rec in short_job().records[8:10]]))
    with pytest.raises(BundleError, match="no record opens the job"):
        _ = story.job


def test_a_stage_says_which_version_of_the_analysis_concluded_it() -> None:
    """Those of 0.1.0 do not: they are of version 1."""
    story, rec = Story(), short_job()
    rec.event(r.STAGE_BEGUN, rec.records[-1].t0_ns + 1, number=9, kind="recovery", settings={})
    rec.event(r.STAGE_ENDED, rec.records[-1].t0_ns + 2, number=9, analysis=4, software="rimelog 0.3.0")
    list(story.passing(rec.source()))
    assert (story.analysis_at_end(1), story.analysis_at_end(9)) == (1, 4)
