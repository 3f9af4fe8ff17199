"""A rig of gauges that send their readings as lines of text, one point each."""

from logger.config.rig_file import parse_rig
from logger.model.rig import Rig


def text_rig(points: dict[str, tuple[str, str]], more: str = "") -> Rig:
    """points: device name -> (measuring point, unit); its id is "text:NAME". more: lines of each channel, {unit} in
    them."""
    devices = "".join(
        f"""
[[device]]
name = "{name}"
kind = "text"
url = "/dev/{name}"
  [[device.channel]]
  point = "{point}"
  pattern = '(?P<value>-?[0-9.]+) (?P<unit>{unit})'
  units = {{ {unit} = "{unit}" }}
  division = "0.1{unit}"
  accuracy = "0.1{unit}"
  {more.format(unit=unit)}
"""
        for name, (point, unit) in points.items()
    )
    return parse_rig(f'[rig]\nname = "r"\n{devices}')
