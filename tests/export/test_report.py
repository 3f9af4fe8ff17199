"""The report as a PDF, as a reader program shows it: what a customer reads, on every page, whatever was typed."""

import re
from functools import lru_cache
from typing import Any

import pytest

from logger.evidence.bagit import digest_of
from logger.evidence.chain import new_event
from logger.export.bundle.derived import Derived
from logger.export.errors import ReportError
from logger.export.report import report_view
from logger.export.report import report_words as say
from logger.export.report import typeset as report_module
from logger.export.report.report_data import AlarmEntry
from logger.export.report.report_view import MAX_ROWS
from logger.export.story import Story
from logger.model import records as r
from logger.model.alarm import AlarmEvent, Priority, State
from logger.model.finding import Text
from logger.model.points import Quantity
from logger.model.units import NS_PER_S
from logger.model.value import known
from logger.wording.values import Shown
from tests.export.invented import MANIFOLD, T0_NS, Recorder, alarm, long_job, opened, replay, short_job
from tests.pdf import attached, ink, pages
from tests.pdf import size as page_size

HOSTILE = '麦酒 مصنع 😀 #import "x" $x^2$ \\ `code` *bold* _it_ @ref <label> [a](b) // no \x1b[2J\u202e/* "' + "W" * 300


def made(rec: Recorder, fingerprint: str | None = "SHA256:abc", attach: bool = True) -> tuple[bytes, bytes]:
    story = Story()
    for _ in story.passing(rec.source()):
        pass
    derived = Derived(story, rec.source, replay)
    csv = b"".join(derived.readings())
    return derived.report(digest_of([csv]), csv if attach else None, fingerprint, None), csv


@lru_cache(maxsize=1)
def evening() -> tuple[bytes, bytes]:
    return made(long_job())


def flat(text: str) -> str:
    return re.sub(r"[\s\u200b]+", " ", text)


def test_the_pages_say_what_the_job_was() -> None:
    pdf, _ = evening()
    seen = pages(pdf)
    text = flat(" ".join(seen))
    for part in (
        "Kettle & Reed Brewing (invented)", "Glycol chiller GC-2, circuit A", "R-407C", "220.0 lb (99.80 kg)",
        "1 Recovery", "2 Evacuation", "3 Vacuum decay test", "Is the refrigerant out of the system",
        "PASS Required level reached and held: Recovered ", "CAN'T TELL Cannot tell: The rise could be", "NOT JUDGED",
        "40 CFR 82.156", "Guard band of one expanded uncertainty",
        "no ambient temperature measured", "fitted: saturating rise", "limit of RC-1",
        "RC-2", "not weighed before", "Not accounted for", "Cylinder nearly full (first)",
        "acknowledged 11:13:30 by J. Invented",
        "Customer told that a longer hold is needed.", "link: cable out", "certificate C-118",
        "-14.5 to 500 psig ", "± 2.5 psi ",
        "Missing data never make a pass", "Local codes", "It does not show who holds the key", "SHA256:abc",
    ):  # fmt: skip
        assert part in text, part
    for number, page in enumerate(seen, 1):
        assert f"Page {number} of {len(seen)}" in flat(page)
        assert "SAMPLE DATA, NOT A REAL JOB" in flat(page)
        assert "local codes, markings and licensed practice come first" in flat(page)


def test_a_real_job_carries_no_mark_of_invention() -> None:
    pdf, _ = made(short_job(invented=False))
    assert not any("sample data" in page.lower() for page in pages(pdf))


def test_it_declares_the_standards_it_keeps() -> None:
    pdf, _ = evening()
    for mark in (b"<pdfaid:part>3</pdfaid:part>", b"<pdfaid:conformance>A</pdfaid:conformance>", b"<pdfuaid:part>1"):
        assert mark in pdf


def test_the_readings_are_attached_whole() -> None:
    pdf, csv = evening()
    assert attached(pdf) == {"readings.csv": csv}
    without, _ = made(short_job(), attach=False)
    assert "in the bundle)" in flat(" ".join(pages(without)))


def test_the_digest_and_its_picture_are_those_of_the_readings() -> None:
    pdf, csv = evening()
    text = flat(pages(pdf)[-1]).replace(" ", "")
    sha256 = digest_of([csv]).sha256
    assert sha256[:32] in text and sha256[32:] in text


def test_same_data_same_bytes() -> None:
    assert made(short_job()) == made(short_job())


@pytest.mark.parametrize(("units", "size"), [("us", (612.0, 792.0)), ("si", (595.276, 841.89))])
def test_paper_follows_the_units(units: str, size: tuple[float, float]) -> None:
    pdf, _ = made(short_job(units=units))
    assert page_size(pdf) == pytest.approx(size, abs=0.01)
    text = flat(" ".join(pages(pdf)))
    assert ("psig" in text and "°F" in text) if units == "us" else ("barg" in text and "kg (" in text)


def test_whatever_was_typed_is_set_as_text() -> None:
    job = {"customer": HOSTILE, "site": HOSTILE, "appliance": HOSTILE, "technician": HOSTILE}
    pdf, _ = made(short_job(HOSTILE, **job))
    text = " ".join(pages(pdf))
    assert "\x1b" not in text and "\u202e" not in text
    assert '#import "x" $x^2$ \\ `code` *bold* _it_ @ref <label>' in flat(text)
    assert "[U+9EA6][U+9152]" in text and "U+1F600" in text


def test_nothing_runs_off_the_page() -> None:
    """No ink in the margins, with names far too long."""
    pdf, _ = made(short_job("x" * 500, customer="W" * 200, site="W" * 200))
    for number in range(len(pages(pdf))):
        dark = ink(pdf, number, dpi=72)
        assert dark.any() and not dark[:, :20].any() and not dark[:, -20:].any()


def test_a_flood_of_alarms_is_cut_and_said_to_be() -> None:
    rec = opened({})
    for i in range(MAX_ROWS + 20):
        rec.add(new_event(alarm(T0_NS + (2 + i) * NS_PER_S, AlarmEvent.RAISE, State.NORMAL, State.UNACKNOWLEDGED)))
        rec.add(new_event(alarm(T0_NS + (2 + i) * NS_PER_S, AlarmEvent.SHELVE, State.UNACKNOWLEDGED, State.SHELVED)))
    text = flat(" ".join(pages(made(rec)[0])))
    assert "20 further rows are in events.csv" in text and "shelved" in text


def test_a_count_of_alarms_is_no_percentage() -> None:
    eleven = known(11.0, "1")
    entry = AlarmEntry("MANY ALARMS AT ONCE", Priority.HIGH, T0_NS, eleven, eleven, Quantity.RATIO)
    assert "11 (limit 11)" in report_view._alarm(entry, Shown("us", 101_325.0))


def test_a_job_with_nothing_in_it_still_makes_a_report() -> None:
    rec = Recorder()
    for record in short_job().records[:1]:
        rec.records.append(record)
    text = flat(" ".join(pages(made(rec, None)[0])))
    assert "No stage was begun in this job." in text
    assert "Interim copy: the job continues after this" in text
    assert "made outside a signed bundle" in text


def test_every_stage_kind_is_drawn_and_a_running_one_is_said_to_run() -> None:
    rec = opened({})
    rec.event(r.STAGE_ENDED, T0_NS + 2 * NS_PER_S, number=1)
    kinds = ("evacuation", "decay-test", "pressure-test", "charging", "start-up", "recovery")
    for k, kind in enumerate(kinds):
        begun = T0_NS + (10 + 100 * k) * NS_PER_S
        rec.event(r.STAGE_BEGUN, begun, number=k + 2, kind=kind, settings={})
        for i in range(20):
            rec.scan(MANIFOLD, begun + (1 + 4 * i) * NS_PER_S, 3e5 + i, 4e5 - i, None if i % 3 else 50.0)
        if kind != kinds[-1]:
            rec.event(r.STAGE_ENDED, begun + 90 * NS_PER_S, number=k + 2)
    text = flat(" ".join(pages(made(rec)[0])))
    assert text.count("Readings of this stage") >= 4
    assert "still running" in text and "missing (open circuit)" in text


def test_the_first_page_is_one_page_however_many_stages_and_words_there_are() -> None:
    long = "W" * 200
    rec = opened({"customer": long, "site": long, "company": (long,) * 6, "recovered_to": long})
    rec.event(r.STAGE_ENDED, T0_NS + 2 * NS_PER_S, number=1)
    for k in range(30):
        rec.event(r.STAGE_BEGUN, T0_NS + (10 + k) * NS_PER_S, number=k + 2, kind="recovery", settings={})
        rec.event(r.STAGE_ENDED, T0_NS + (10 + k) * NS_PER_S + 1, number=k + 2)
    first, second, *_ = pages(made(rec)[0])
    assert "Date" in first and "31 Recovery" in first and "stages before these" in first
    assert "1 Recovery" in second and "Asked and answered" not in second


ENTERED: dict[str, Any] = {
    "company": ("Invented Service", "Street 1"), "certification": "C-608", "work_order": "WO-7",
    "recovered_to": "Reclaimer", "appliance_make": "Make", "appliance_model": "Model", "appliance_serial": "S-1",
    "vacuum_pump": "Pump, P-1", "vacuum_gauge": "Gauge, G-1", "recovery_machine": "Machine, M-1",
}  # fmt: skip
NOTHING: dict[str, Any] = {
    "customer": "", "site": "", "appliance": "", "technician": "", "recovery_machine_made": None,
}  # fmt: skip


def test_what_is_entered_for_the_report_is_on_the_first_page_and_what_is_not_leaves_no_hole() -> None:
    first = flat(pages(made(short_job(**ENTERED))[0])[0])
    for part in (
        "Invented Service Street 1", "certification C-608", "Work order WO-7", "make Make, model Model, serial S-1",
        "Vacuum pump Pump, P-1", "Vacuum gauge Gauge, G-1", "Recovery machine Machine, M-1", "Goes to: Reclaimer",
    ):  # fmt: skip
        assert part in first, part
    nothing = flat(pages(made(short_job(**NOTHING))[0])[0])
    for label in ("Customer:", "Site", "System", "Work order", "Vacuum pump", "Recovery machine", "Goes to"):
        assert label not in nothing, label


def test_beside_its_verdict_a_finding_does_not_say_again_that_it_cannot_tell() -> None:
    open_ = Text("decay test: can't tell", "Isolated 36 min of the 1 h required.", check_next=("Keep it isolated",))
    assert say.beside_badge(open_).line == "decay test: Isolated 36 min of the 1 h required."
    assert say.open_point(open_) == "decay test: can't tell. Keep it isolated"
    air = Text("air: can't tell", "Air: can't tell. Gauge silent for 40 s.")
    assert say.beside_badge(air).line == "air: Gauge silent for 40 s."
    assert say.open_point(air) == "Air: can't tell. Gauge silent for 40 s"
    leak = Text("leak up to 3 lb a year not ruled out", "A leak of 1 to 3 lb a year would not show.")
    assert say.beside_badge(leak) == leak and say.open_point(leak) == leak.headline


def test_what_cannot_be_set_is_an_error_of_ours(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(report_module, "harmless", lambda data, settable: data)
    with pytest.raises(ReportError, match="could not be set"):
        made(short_job(customer="麦酒"))
