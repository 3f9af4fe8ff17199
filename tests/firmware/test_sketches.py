"""The examples of the Arduino library: compiled against the AVR core as a sketch is, and run on the emulated chip."""

import functools
import subprocess
from pathlib import Path
from typing import Any

import pytest

from firmware_protocol.codes import ErrorCode
from firmware_protocol.conversion import measured
from firmware_protocol.framing import encode_frame
from firmware_protocol.layout import Layout
from firmware_protocol.messages import Accepted, ErrorMessage, Hello, Status, encode_message
from firmware_protocol.requests import Permit, RequestStatus, Start
from tests.firmware import board as emulation
from tests.firmware.board import Board
from tests.once import built_folder, once_a_run
from tests.sim_device.host import Talk, only, unpacked
from tests.tools import needs, needs_file

LIBRARY = Path(__file__).parents[2] / "firmware_protocol" / "c"
CORE = "/usr/share/arduino/hardware/arduino/avr"
OPTIONS = ["-mmcu=atmega328p", "-DF_CPU=16000000L", "-DARDUINO=10819", "-DARDUINO_AVR_UNO", "-DARDUINO_ARCH_AVR", "-Os"]
OPTIONS += ["-ffunction-sections", "-fdata-sections", "-w"]
CPP = ["-std=gnu++11", "-fpermissive", "-fno-exceptions", "-fno-threadsafe-statics"]
CPP += ["-DDECIMAL_DIG=__DECIMAL_DIG__"]  # the core asks for it, and this compiler's float.h lacks it for C++11


@functools.cache
@once_a_run
def _core() -> tuple[Path, list[Path]]:
    """(folder, objects of the core)."""
    root = needs_file(CORE, "the AVR core that sketches are built with")
    gcc, gpp = needs("avr-gcc", "builds sketches"), needs("avr-g++", "builds sketches")
    folder = built_folder("sketches")
    include: list[str | Path] = ["-I", root / "cores" / "arduino", "-I", root / "variants" / "standard"]
    objects = []
    for source in sorted((root / "cores" / "arduino").iterdir()):
        if source.suffix in (".c", ".cpp") and not source.name.startswith(("USB", "CDC", "Plug", "Tone", "IPAddress")):
            target = folder / f"{source.name}.o"
            compiler: list[str] = [gcc, "-std=gnu11"] if source.suffix == ".c" else [gpp, *CPP]
            subprocess.run([*compiler, *OPTIONS, *include, "-c", source, "-o", target], check=True)
            objects.append(target)
    return folder, objects


@once_a_run
def sketch(name: str) -> Path:
    """The ELF file of an example. As the sketch builder does: Arduino.h first, then the sketch, as C++."""
    folder, objects = _core()
    root = Path(CORE)
    text = "#include <Arduino.h>\n" + (LIBRARY / "examples" / name / f"{name}.ino").read_text()
    source, target = folder / f"{name}.cpp", folder / f"{name}.elf"
    source.write_text(text)
    made: list[Path] = []
    include: list[str | Path] = ["-I", root / "cores" / "arduino", "-I", root / "variants" / "standard"]
    include += ["-I", root / "libraries" / "EEPROM" / "src", "-I", LIBRARY]
    for file, compiler in ((source, ["avr-g++", *CPP]), (LIBRARY / "rimelog.c", ["avr-gcc", "-std=gnu11"])):
        made.append(folder / f"{name}-{file.name}.o")
        subprocess.run([*compiler, *OPTIONS, *include, "-c", file, "-o", made[-1]], check=True)
    subprocess.run(
        ["avr-gcc", *OPTIONS, "-Wl,--gc-sections", *made, *objects, "-lm", "-o", target], check=True,
    )  # fmt: skip
    return target


@pytest.fixture
def built(monkeypatch: pytest.MonkeyPatch) -> Any:
    """A chip with a sketch in place of the reference firmware."""

    def make(name: str) -> Board:
        elf = sketch(name)
        monkeypatch.setattr(emulation, "program", lambda chip, extra: elf)
        return Board()

    return make


def _layout(line: Talk) -> Layout:
    layout = line.layout()
    line.now_s = line.device.ms / 1000  # type: ignore[attr-defined]
    return layout


def test_the_pressure_sketch_measures(built: Any) -> None:
    with built("PressureTransducer") as chip:
        line = Talk(chip, 0.0)
        hello = only(line.wait(1.0), Hello)
        assert (hello.firmware_name, hello.channels, hello.outputs) == ("Pressure and temperature", 2, 0)
        layout = _layout(line)
        chip.run(100, encode_frame(encode_message(Start(1))))
        line.now_s = chip.ms / 1000
        values: dict[int, float | None] = {}
        for readings in unpacked(layout, line.wait(2.0)):
            values |= {i: measured(layout.channels[i], raw) for i, raw in readings.items() if isinstance(raw, int)}
        assert values[0] == pytest.approx(1750, abs=10)
        assert values[1] == pytest.approx(25, abs=0.3)


def test_the_relay_sketch_holds_and_lets_go(built: Any) -> None:
    with built("ScaleRelay") as chip:
        line = Talk(chip, 0.0)
        assert only(line.wait(1.0), Hello).outputs == 1
        chip.run(100, encode_frame(encode_message(Start(1))))
        line.now_s = chip.ms / 1000
        status = only(line.send(RequestStatus(2)), Status, request_id=2)
        line.now_s = chip.ms / 1000
        held = Permit(3, 0, 1, 3000, status.boot_count, status.tick)
        assert (
            only(line.send(held), ErrorMessage).code == ErrorCode.BUSY
        )  # three minutes are counted from the start too
        chip.reopen_delay_is_over()
        line.now_s = chip.ms / 1000
        assert [m for m in line.send(held) if isinstance(m, Accepted)]
        line.now_s = chip.ms / 1000
        closed = only(line.send(RequestStatus(4)), Status, request_id=4)
        assert closed.outputs[0][0] == 1
        line.now_s = chip.ms / 1000
        told = [m for m in line.wait(4.0) if isinstance(m, Status)]
        assert told[-1].outputs[0][:2] == (0, 2)  # nobody permitted it for three seconds


def test_the_folder_is_a_library_as_it_is() -> None:
    rows = dict(row.split("=", 1) for row in (LIBRARY / "library.properties").read_text().splitlines())
    assert {"name", "version", "author", "sentence", "architectures"} <= rows.keys()
    assert rows["includes"] == "rimelog.h"
    assert sorted(p.name for p in LIBRARY.glob("*.[ch]")) == ["rimelog.c", "rimelog.h"]  # what the builder compiles
    assert not [p for p in LIBRARY.rglob("*") if p.is_symlink()]
    for example in (LIBRARY / "examples").iterdir():
        assert (example / f"{example.name}.ino").is_file()
