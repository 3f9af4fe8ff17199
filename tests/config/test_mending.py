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
