"""One job from a protocol device on a serial port, a text scale and a Modbus transmitter: one record, one clock."""

import asyncio
import contextlib
import csv
import io
import threading
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from logger.evidence.chain import frames_of
from logger.export.replayed import replay_job
from logger.model.records import FRAMES
from logger.store.reader import StoreReader
from tests.end_to_end.running import Stored, daemon, rimelog, simulated
from tests.link.modbus.bench import Transmitter, tcp_server
from tests.link.text.bench import TextInstrument, on_pty

INSTRUMENTS = r"""

[[device]]
name = "platform scale"
kind = "text"
url = "{scale}"

  [[device.channel]]
  point = "cylinder_mass"
  pattern = 'W *(?P<value>-?\d+\.\d\d) (?P<unit>kg|lb) (?P<stable>[SM])'
  units = {{ kg = "kg", lb = "lb" }}
  stable = ["S"]
  division = "0.01kg"
  range = ["0kg", "150kg"]
  accuracy = "0.05kg"
  zero = "{zero}kg"

[[device]]
name = "chiller transmitter"
kind = "modbus"
url = "{transmitter}"
period = "0.2s"

  [[device.channel]]
  point = "system_pressure"
  registers = "input"
  address = 10
  type = "float32"
  word_order = "little"
  unit = "barg"
  division = "0.01bar"
  accuracy = "0.05bar"

  [[device.channel]]
  point = "system_temperature"
  registers = "holding"
  address = 3
  type = "int16"
  scale = 0.1
  no_reading = [-32768]
  unit = "C"
"""


class Instruments:
    """An invented scale and an invented transmitter, in a loop of their own."""

    def __init__(self) -> None:
        self.mass_kg, self.flag = 30.00, b"S"
        self.scale = TextInstrument(lambda: b"W %7.2f kg %s\r\n" % (self.mass_kg, self.flag), period_s=0.1)
        self.transmitter = Transmitter()
        self.transmitter.put_float(10, 6.25, low_word_first=True)
        self.transmitter.registers[3] = 217
        self.urls: dict[str, str] = {}
        self._ready = threading.Event()
        self._loop = asyncio.new_event_loop()
        self._over = asyncio.Event()

    @contextlib.contextmanager
    def running(self) -> Iterator["Instruments"]:
        thread = threading.Thread(target=lambda: self._loop.run_until_complete(self._serve()), daemon=True)
        thread.start()
        try:
            assert self._ready.wait(60)
            yield self
        finally:
            self._loop.call_soon_threadsafe(self._over.set)
            thread.join(60)
            self._loop.close()

    async def _serve(self) -> None:
        async with on_pty(self.scale) as scale, tcp_server(self.transmitter) as transmitter:
            self.urls = {"scale": scale, "transmitter": transmitter}
            self._ready.set()
            await self._over.wait()


def shown(state: dict[str, Any], point: str) -> tuple[float | None, str | None]:
    """A point's SI value, or why there is none."""
    found = next(p for p in state["points"] if p["point"] == point)
    return found["value"], found["problem"]


def test_serial_text_and_modbus_make_one_job(tmp_path: Path) -> None:
    with Instruments().running() as bench, simulated(
        tmp_path, "recovery", link="pty", only=("recovery board",)
    ) as sim:  # fmt: skip
        rig = tmp_path / "mixed.toml"
        board = sim.rig_file.read_text("utf-8")
        rig.write_text(board + INSTRUMENTS.format(zero=0, **bench.urls), "utf-8")
        with daemon(tmp_path, rig) as logger:
            logger.ready()
            rimelog(tmp_path, "stage", "begin", "recovery")
            bench.mass_kg = 30.07
            logger.when(lambda s: shown(s, "cylinder_mass") == (30.07, None), "the scale's line is shown")
            state = logger.status()
            pressure_pa, _ = shown(state, "system_pressure")
            # Gauge: against the board's barometer, once that is heard; its readings differ by some Pa.
            ambient_pa = state["ambient"]["value"]
            assert pressure_pa is not None and abs(pressure_pa - ambient_pa - 625_000) < 30
            temperature_k, _ = shown(state, "system_temperature")
            assert temperature_k is not None and abs(temperature_k - 294.85) < 1e-9
            assert shown(state, "cylinder_pressure")[0] is not None  # of the device on the serial port

            bench.flag = b"M"
            logger.when(
                lambda s: shown(s, "cylinder_mass") == (None, "the instrument says that it is not steady"), "unsteady"
            )
            bench.flag = b"S"
            bench.transmitter.registers[3] = 0x8000
            logger.when(lambda s: "no reading (-32768)" in str(shown(s, "system_temperature")[1]), "no reading")
            bench.scale.line = lambda: b"E 07\r\n"
            lost = 'device lost: no pattern fits this line: "E 07"'
            logger.when(lambda s: shown(s, "cylinder_mass") == (None, lost), "not understood, so lost")
            assert not logger.device("platform scale")["ok"]
            logger.stop()

        # The same job goes on with a scale that was zeroed anew: readings from here on, not those before.
        bench.scale.line = lambda: b"W   30.57 kg S\r\n"
        rig.write_text(board + INSTRUMENTS.format(zero=0.5, **bench.urls), "utf-8")
        with daemon(tmp_path, rig, "--continue", "job-1") as logger:
            logger.ready()
            logger.when(lambda s: abs((shown(s, "cylinder_mass")[0] or 0) - 30.07) < 1e-9, "zeroed")
            rimelog(tmp_path, "stage", "end")
            logger.stop()

    stored = Stored(logger.file)
    assert stored.chain.holds
    frames: dict[str, list[tuple[int, bytes]]] = {}
    with StoreReader(logger.file) as reader:
        for record in reader.records(kind=FRAMES):
            frames.setdefault(record.device, []).extend(frames_of(record))
        replayed = replay_job(lambda: reader.records(), lambda samples: None)
    begun, ended = stored.of_type("run-begun")[0]["t_ns"], stored.of_type("run-ended")[-1]["t_ns"]
    assert len(frames) == 3
    for device, each in frames.items():
        times = [t_ns for t_ns, _ in each]
        assert begun <= min(times) and max(times) <= ended
        assert ":" not in device or times == sorted(times)  # instruments send nothing late
    # Every 0.1 s a line, every 0.2 s two exchanges, as they came.
    lines = frames["text:platform scale"]
    assert {raw for _, raw in lines} >= {b"W   30.07 kg S", b"W   30.07 kg M", b"E 07"}
    assert {raw[:2] for _, raw in frames["modbus:chiller transmitter"]} == {b"\x01\x03", b"\x01\x04"}
    assert stored.of_type("device-lost")
    names = {instrument.name: instrument for instrument in replayed.instruments}
    assert names["platform scale"].model == "text instrument"
    assert names["platform scale"].channels[0].sensor == "number in lines of text"
    assert [c.sensor for c in names["chiller transmitter"].channels] == [
        "Modbus input register 10 of unit 1", "Modbus holding register 3 of unit 1",
    ]  # fmt: skip

    # The bundle's figures are recomputed from the stored lines and exchanges by whoever checks it.
    rimelog(tmp_path, "export", "job-1", "--out", tmp_path / "out")
    bundle = next((tmp_path / "out").glob("*.zip"))
    assert "Everything was checked, and holds." in rimelog(tmp_path, "verify", bundle)
    assert {30.0, 30.07} <= set(_column(bundle, "cylinder_mass"))
    assert 294.85 in _column(bundle, "system_temperature")


def _column(bundle: Path, point: str) -> list[float]:
    """Readings of a point in the bundle's CSV, in SI."""
    with zipfile.ZipFile(bundle) as archive:
        name = next(n for n in archive.namelist() if n.endswith("readings.csv"))
        rows = csv.DictReader(io.StringIO(archive.read(name).decode("utf-8")))
        key = next(f for f in rows.fieldnames or () if point in f)
        return [float(row[key]) for row in rows if row[key]]
