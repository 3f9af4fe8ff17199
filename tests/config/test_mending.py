"""All faults of a file at once, each by the key it has in the file, and none that only the mending made."""

import pytest

from logger.config.errors import FileProblems
from logger.config.job_file import parse_job
from logger.config.rig_file import parse_rig


def keys_of(text: str) -> list[str]:
    with pytest.raises(FileProblems) as caught:
        parse_rig(text)
    return [key for key, _ in caught.value.problems]


def test_later_tables_keep_their_numbers_when_an_earlier_one_is_useless() -> None:
    text = """
[[device]]
name = "a"
url = "COM1"
  [[device.channel]]
  point = "vacuum"            # no index
  [[device.channel]]
  index = 1
  point = "vakuum"            # second channel of the file
[[device]]                    # no name
url = "COM2"
[[device]]
name = "c"
url = "COM3"
period = "often"
"""
    assert keys_of(text) == [
        "device[1].channel[1].index", "device[2].name", "device[1].channel[2].point", "device[3].period",
    ]  # fmt: skip


def test_a_fault_is_not_told_twice_by_what_follows_from_it() -> None:
    assert keys_of('[[device]]\nname = "a"\nurl = 3\n') == ["device[1].url"]
    assert keys_of('[[device]]\nname = "a"\nurl = "COM1"\nchannel = 7\n') == ["device[1].channel"]


def test_instruments_too() -> None:
    text = """
[[device]]
name = "scale"
kind = "text"
url = "COM1"
mode = "9X3"
period = "1s"
  [[device.channel]]
  point = "cylinder_mass"
  pattern = "(?P<value>[0-9]+)"
  division = "1 furlong"
  unit = "kg"
"""
    assert keys_of(text) == ["device[1].mode", "device[1].period", "device[1].channel[1].division"]


def test_what_cannot_be_read_on_is_told_as_far_as_it_was_read() -> None:
    assert keys_of("") == ["device"]
    assert keys_of("device = 3\n") == ["device"]
    assert keys_of('colour = 1\n[[device]]\nname = ""\n') == ["device[1].name", "colour"]


def test_a_job_file_too() -> None:
    with pytest.raises(FileProblems) as caught:
        parse_job(
            '[job]\nrefrigerant = "R-999"\ncolour = 1\n'
            '[[cylinder]]\nname = "x"\n[[cylinder]]\nname = "y"\ntare = "one"\nwater_capacity = "20L"\n',
            "j",
        )
    assert [key for key, _ in caught.value.problems] == [
        "job.colour", "cylinder[1].tare", "cylinder[1].water_capacity", "job.refrigerant", "cylinder[2].tare",
    ]  # fmt: skip


def test_a_channel_of_no_known_point_is_looked_at_all_the_same() -> None:
    text = """
[[device]]
name = "board"
url = "COM1"
  [[device.channel]]
  index = 0
  point = "vakuum"
  zero = "nought"
  u = "0psi"
  [[device.channel]]
  index = 1
  zero = "1 furlong"          # and no point
"""
    channel = "device[1].channel"
    assert keys_of(text) == [
        f"{channel}[2].point", f"{channel}[1].point", f"{channel}[1].zero", f"{channel}[1].u", f"{channel}[2].zero",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("unit", "pattern", "keys"),
    [
        ("", "(?P<value>[0-9]+", ["unit", "pattern"]),
        ("", "(?P<value>[0-9]+)", ["unit"]),
        ("", "(?P<value>[0-9]+) (?P<unit>kg)", ["unit"]),  # what it lacks is told once
        ('unit = "stone-ish"', "[0-9]+", ["unit", "pattern"]),
        ('unit = "psig"', "[0-9]+", ["unit", "pattern"]),  # no unit of a mass
        ('unit = "psig"', "(?P<value>[0-9]+)", ["unit"]),
    ],
)
def test_the_pattern_of_a_text_channel_does_not_wait_for_its_unit(unit: str, pattern: str, keys: list[str]) -> None:
    text = f"""
[[device]]
name = "scale"
kind = "text"
url = "COM1"
  [[device.channel]]
  point = "cylinder_mass"
  pattern = '{pattern}'
  division = "1kg"
  {unit}
"""
    found = [key.rpartition(".")[2] for key in keys_of(text)]
    assert [key for key in found if key != "division"] == keys


def test_nothing_of_an_instrument_waits_for_its_point_or_unit() -> None:
    text = """
[[device]]
name = "scale"
kind = "text"
url = "COM1"
  [[device.channel]]
  point = "cylinder_mas"
  pattern = "[0-9]+"
  unit = "stone-ish"
  division = "1 furlong"
  accuracy = "much"
"""
    assert [key.rpartition(".")[2] for key in keys_of(text)] == ["unit", "point", "division", "accuracy", "pattern"]
