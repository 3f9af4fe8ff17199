"""A device that calls itself by escape sequences, formulas and paths: harmless on screens, in files and in reports."""

import asyncio
import csv
import io
import zipfile
from pathlib import Path
from typing import Any

from firmware_protocol import cbor
from firmware_protocol.framing import encode_frame
from firmware_protocol.messages import DeviceMessage, Hello, encode_message
from logger.api.client import RUN_FILE, Client, read_address
from logger.config.rig_file import parse_rig
from logger.screen.layout import Trend, render
from logger.screen.status_lines import status_lines
from sim_device.rig import Rig, rig_toml
from sim_device.serve import RigServer
from sim_device.sim_clock import SimClock
from tests.app.test_links import _running
from tests.end_to_end.running import rimelog

NAME, VERSION, MODEL = "\x1b[2J\x1b]0;own\x07\u202e", "=cmd|' /C calc'!A0", "../../../../tmp/owned\r\n"


def _hostile(message: DeviceMessage) -> bytes:
    """As its firmware would send it, which cares for no rule."""
    payload = encode_message(message)
    if isinstance(message, Hello):
        body = cbor.loads(payload[2:])
        assert isinstance(body, dict)
        payload = payload[:2] + cbor.dumps({**body, 3: NAME, 4: VERSION, 12: MODEL})
    return encode_frame(payload)


def test_device_text_is_harmless_everywhere(tmp_path: Path) -> None:
    state = asyncio.run(_state(tmp_path))
    shown = [*status_lines(state), *(line.plain for line in render(state, Trend(), 100, 30))]
    shown.append(rimelog(tmp_path, "export", "job-1", "--out", tmp_path))
    (bundle,) = tmp_path.glob("*.zip")
    with zipfile.ZipFile(bundle) as bag:
        assert not [name for name in bag.namelist() if ".." in name or name.startswith("/")]
        events = bag.read(next(name for name in bag.namelist() if name.endswith("events.csv"))).decode("utf-8")
    rows = list(csv.reader(io.StringIO(events)))
    told = [cell for row in rows for cell in row if "calc" in cell]
    assert told, "the firmware's version is in the record"
    assert not [cell for row in rows for cell in row if cell.startswith(("=", "+", "@"))]
    for text in (*shown, events):
        assert not [c for c in text if c in "\x1b\x07\u202e"]


async def _state(place: Path) -> dict[str, Any]:
    directory = place / "data" / "jobs" / "job-1"
    directory.mkdir(parents=True)
    rig = Rig("recovery", 5, autopilot=False, only=("scale",))
    rig.devices["scale"]._frame = _hostile  # type: ignore[method-assign]
    async with RigServer(rig, SimClock()) as served:
        rig_file = parse_rig(rig_toml(served.urls, "recovery", 5))
        async with _running(rig_file, directory) as job:
            await job.well("scale")
            await asyncio.sleep(0.5)
            return await asyncio.to_thread(lambda: Client(read_address(directory / RUN_FILE)).status())
