"""What `rimelog rig new` proposes and writes: points, zeros, patterns, the file."""

from datetime import date
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_protocol.codes import Quantity as Measured
from firmware_protocol.codes import SampleType
from firmware_protocol.messages import Describe
from logger.config.errors import ConfigError, FileProblems
from logger.config.rig_draft import ChannelDraft, DeviceDraft, RigDraft, rig_toml, write_rig
from logger.config.rig_draft_points import fitting, suggest, written, zero_of
from logger.config.rig_draft_text import decimal_mark, flag_places, numbers, pattern, shape, step, unit_place
from logger.config.rig_file import parse_rig
from logger.decode.text_line import LineReader
from logger.model.instrument import LineField
from sim_device.boards import boards
from sim_device.scenarios import scenario


def describe(quantity: int, unit: str, low: float | None = None, high: float | None = None) -> Describe:
    return Describe(0, 0, quantity, unit, SampleType.I32, 0, 200, range_low=low, range_high=high)


# -- points


def test_every_channel_of_the_simulated_rig_gets_its_point_without_a_word() -> None:
    for board in boards(scenario("brewery")):
        taken: set[str] = set()
        for channel in board.channels:
            found = suggest(describe(channel.quantity, channel.unit), channel.label, taken)
            assert found is not None and found.name == channel.point, channel.label
            taken.add(found.name)


@pytest.mark.parametrize(
    ("quantity", "unit", "label", "point"),
    [
        (Measured.GAUGE_PRESSURE, "[psi]", "High side", "discharge_pressure"),
        (Measured.GAUGE_PRESSURE, "[psi]", "LP", "suction_pressure"),
        (Measured.GAUGE_PRESSURE, "bar", "tank", "cylinder_pressure"),
        (Measured.ABSOLUTE_PRESSURE, "kPa", "Baro", "barometer"),
        (Measured.ABSOLUTE_PRESSURE, "um[Hg]", "P3", "vacuum"),
        (Measured.MASS, "kg", "", "cylinder_mass"),
        (Measured.TEMPERATURE, "Cel", "Glycol return", "entering_fluid_temperature"),
        (Measured.TEMPERATURE, "Cel", "T7", None),
        (Measured.VOLTAGE, "V", "Supply", None),
    ],
)
def test_likely_points_by_quantity_and_label(quantity: int, unit: str, label: str, point: str | None) -> None:
    found = suggest(describe(quantity, unit), label, set())
    assert (None if found is None else found.name) == point


def test_a_point_that_is_taken_is_not_proposed_again() -> None:
    gauge = describe(Measured.GAUGE_PRESSURE, "[psi]")
    assert suggest(gauge, "suction", {"suction_pressure"}) is None
    assert "vacuum" not in {point.name for point in fitting(gauge)}


# -- zeros


GAUGE = describe(Measured.GAUGE_PRESSURE, "[psi]", low=-15.0, high=500.0)
SCALE = describe(Measured.MASS, "kg")


def test_a_zero_is_the_mean_of_steady_readings_near_nothing() -> None:
    zero = zero_of(GAUGE, [0.40, 0.42, 0.41, 0.41])
    assert zero.number == pytest.approx(0.41) and zero.problem is None
    assert zero_of(SCALE, [-0.1, -0.1, -0.1]).number == pytest.approx(-0.1)


@pytest.mark.parametrize(
    ("channel", "readings", "why"),
    [
        (GAUGE, [118.0, 118.1, 118.0], "not open to air"),
        (GAUGE, [0.0, 6.0, 3.0], "not steady"),
        (GAUGE, [0.4, 0.4], "too few"),
        (SCALE, [12.6, 12.6, 12.6], "something is on it"),
        (describe(Measured.GAUGE_PRESSURE, "atm"), [0.0, 0.0, 0.0], "unit atm is not known"),
    ],
)
def test_what_is_no_zero_is_refused_with_its_reason(channel: Describe, readings: list[float], why: str) -> None:
    zero = zero_of(channel, readings)
    assert zero.number is None and why in (zero.problem or "")


@pytest.mark.parametrize(
    ("number", "code", "text"),
    [(0.41, "[psi]", "0.41psi"), (-0.0123456, "bar", "-0.01235bar"), (0.2, "[lb_av]", "0.2lb"), (3.0, "atm", None)],
)
def test_zeros_are_written_with_units_the_rig_file_takes(number: float, code: str, text: str | None) -> None:
    assert written(number, code) == text


# -- patterns from lines; the formats are invented


FORMATS = [
    ([b"W   27.46 kg S", b"W   27.48 kg M", b"W   27.46 kg S"], 27.46, "kg", 0.01),
    ([b"P1=118.2PSI", b"P1=118.4PSI"], 118.4, "PSI", 0.1),
    ([b"-3.5", b"-3.4"], -3.4, None, 0.1),
    ([b"\x02  12,50 kg\x03", b"\x02  12,52 kg\x03"], 12.52, "kg", 0.01),
    ([b"#07;net;250;g;ok", b"#07;net;251;g;ok"], 251.0, "g", 1.0),
    ([b"21.5 C 48 %", b"21.6 C 47 %", b"ERR 3"], 21.6, "C", 0.1),
    ([b"vac 512 micron", b"vac 498 micron", b"vac 1012 micron"], 1012.0, "micron", 1.0),
]


def proposed(lines: list[bytes]) -> tuple[LineReader, float]:
    tokens = shape(lines)
    number = numbers(tokens)[0]
    unit = unit_place(tokens, number)
    mark = decimal_mark(tokens[number])
    text = pattern(tokens, number, unit, None)
    words = tokens[unit].texts if unit is not None else ()
    units = tuple((word, "psig" if word == "PSI" else word) for word in words)
    return LineReader(LineField(text, units, decimal=mark), units[0][1] if units else "kg"), step(tokens[number])


@pytest.mark.parametrize(("lines", "last", "unit", "division"), FORMATS)
def test_a_pattern_is_found_for_what_an_instrument_says(
    lines: list[bytes], last: float, unit: str | None, division: float
) -> None:
    reader, smallest = proposed(lines)
    usual = [line for line in lines if not line.startswith(b"ERR")]
    said = reader.read(usual[-1])
    assert said is not None and said.number == pytest.approx(last)
    assert all(reader.read(line) is not None for line in usual)
    assert smallest == pytest.approx(division)
    tokens = shape(lines)
    place = unit_place(tokens, numbers(tokens)[0])
    assert (None if place is None else tokens[place].texts[0]) == unit


def test_a_pattern_takes_the_flag_and_readings_of_other_lengths_and_signs() -> None:
    tokens = shape([b"W   27.46 kg S", b"W   27.48 kg M"])
    number = numbers(tokens)[0]
    unit = unit_place(tokens, number)
    flags = flag_places(tokens, unit)
    assert [tokens[i].texts for i in flags] == [("W",), ("S", "M")]
    reader = LineReader(LineField(pattern(tokens, number, unit, flags[1]), (("kg", "kg"),), ("S",)), "kg")
    for line, mass in ((b"W 127.46 kg S", 127.46), (b"W -  0.02 kg S", -0.02), (b"W -0.02kg S", -0.02)):
        said = reader.read(line)
        assert said is not None and said.number == pytest.approx(mass)
    said = reader.read(b"W 1.00 kg M")
    assert said is not None and said.number is None


@settings(max_examples=200, deadline=None)
@given(st.lists(st.from_regex(rb"[A-Z]{0,3}[ =:]{0,2}-?[0-9]{1,3}\.[0-9]{2} ?(kg|lb)?", fullmatch=True), min_size=1,
                max_size=6))  # fmt: skip
def test_whatever_is_proposed_can_be_used_and_reads_the_newest_usual_line(lines: list[bytes]) -> None:
    tokens = shape(lines)
    number = numbers(tokens)[0]
    unit = unit_place(tokens, number)
    units = tuple((word, word) for word in tokens[unit].texts) if unit is not None else ()
    reader = LineReader(LineField(pattern(tokens, number, unit, None), units), "kg")
    assert any(said is not None and said.number is not None for said in map(reader.read, lines))


def test_lines_without_a_number_propose_nothing() -> None:
    assert numbers(shape([b"ready", b"ready"])) == []
    assert shape([]) == [] and shape([b"", b"  "]) == []


# -- the file


def draft(**channel: object) -> RigDraft:
    keys = {"index": 0, "point": "suction_pressure", **channel}
    device = DeviceDraft({"name": "board", "url": "COM3"}, (ChannelDraft(keys, "a remark"),), "what answered")  # type: ignore[arg-type]
    return RigDraft("Trolley", [device])


def test_the_file_is_commented_and_reads_as_meant() -> None:
    text = rig_toml(draft(zero="0.41psi", calibrated=date(2026, 3, 2)), "Made by hand.")
    rig = parse_rig(text)
    assert rig.name == "Trolley" and rig.devices[0].channels[0].calibration.done == date(2026, 3, 2)
    for remark in ("# Rig file of rimelog", "# Made by hand.", "# what answered", "  # a remark"):
        assert remark in text.splitlines() or any(line.startswith(remark) for line in text.splitlines())


def test_patterns_are_written_so_that_a_person_can_read_them() -> None:
    field = {"pattern": r"(?P<value>\d+\.\d)", "unit": "psig", "division": "0.1psi", "point": "suction_pressure"}
    device = DeviceDraft({"name": "g", "kind": "text", "url": "COM4"}, (ChannelDraft(field),))  # type: ignore[arg-type]
    text = rig_toml(RigDraft("x", [device]))
    assert r"  pattern = '(?P<value>\d+\.\d)'" in text.splitlines()
    quoted = {**field, "pattern": r"'(?P<value>\d+)"}
    text = rig_toml(RigDraft("x", [DeviceDraft(device.keys, (ChannelDraft(quoted),))]))  # type: ignore[arg-type]
    source = parse_rig(text).devices[0].channels[0].source
    assert isinstance(source, LineField) and source.pattern == r"'(?P<value>\d+)"


@settings(max_examples=200, deadline=None)
@given(name=st.text(min_size=1, max_size=60), url=st.text(min_size=1, max_size=60), remark=st.text(max_size=200))
def test_any_words_survive_the_file(name: str, url: str, remark: str) -> None:
    device = DeviceDraft({"name": name, "url": url}, (), remark)
    rig = parse_rig(rig_toml(RigDraft(name, [device]), remark))
    assert (rig.name, rig.devices[0].name, rig.devices[0].url) == (name, name, url)


def test_what_could_not_be_read_again_is_not_written() -> None:
    with pytest.raises(FileProblems, match="no measuring point"):
        rig_toml(draft(point="nowhere"))


def test_a_file_is_written_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "rig.toml"
    write_rig(path, "old\n")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(ConfigError, match="No space left"):
        write_rig(path, "new\n")
    assert path.read_text() == "old\n" and list(tmp_path.iterdir()) == [path]
