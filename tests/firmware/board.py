"""The reference firmware on an emulated chip: built once a run, driven step by step, in simulated time."""

import functools
import re
import subprocess
import zlib
from pathlib import Path

from tests.once import built_folder, once_a_run
from tests.tools import needs, needs_file

FIRMWARE = Path(__file__).parents[2] / "firmware" / "reference"
RAM_BYTES = {"atmega328p": 2048, "atmega2560": 8192}
FLASH_BYTES = {"atmega328p": 32 * 1024, "atmega2560": 256 * 1024}
PRESSURE, TEMPERATURE, MASS, LOOP = range(4)


@functools.cache
@once_a_run
def program(chip: str = "atmega328p", extra: str = "") -> Path:
    """The ELF file for an AVR chip. extra: options for the compiler."""
    needs("avr-gcc", "builds the reference firmware")
    name, folder = f"-{zlib.crc32(extra.encode()):x}" if extra else "", built_folder("firmware")
    subprocess.run(
        [needs("make", "builds the reference firmware"), "-s", "-C", FIRMWARE, "avr", f"MCU={chip}", f"OUT={folder}",
         f"EXTRA={extra}", f"NAME={name}"], check=True,
    )  # fmt: skip
    return folder / f"{chip}{name}.elf"


@functools.cache
@once_a_run
def _runner() -> Path:
    needs_file("/usr/include/simavr/sim_avr.h", "libsimavr emulates the chip")
    target = built_folder("firmware") / "runner"
    source = Path(__file__).parent / "runner.c"
    subprocess.run(
        [needs("gcc", "builds the runner"), "-std=gnu99", "-O2", "-Wall", "-Wextra", "-Werror", source, "-o", target,
         "-lsimavr"], check=True,
    )  # fmt: skip
    return target


@functools.cache
def symbols(elf: Path) -> dict[str, int]:
    """Name -> address in data memory, of what lies there."""
    listed = subprocess.run(["avr-nm", elf], capture_output=True, text=True, check=True).stdout
    rows = re.findall(r"^00([0-9a-f]{6}) \w (\S+)$", listed, re.M)
    return {name: int(address, 16) & 0xFFFF for address, name in rows if address.startswith("80")}


def section_bytes(elf: Path) -> tuple[int, int]:
    """(flash, static RAM)."""
    row = subprocess.run(["avr-size", elf], capture_output=True, text=True, check=True).stdout.splitlines()[1].split()
    text, data, bss = map(int, row[:3])
    return text + data, data + bss


REOPEN_MS_AT = 13  # in rl_output_state, which has no holes on an AVR


class Board:
    """One chip, from power-on. The inputs are given in mV, of a supply of 5 V."""

    def __init__(self, chip: str = "atmega328p", extra: str = "") -> None:
        self.chip, self.elf = chip, program(chip, extra)
        self.relay = False
        self.ms = 0  # simulated since the start
        self._child = subprocess.Popen(
            [_runner(), chip, self.elf], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1
        )
        for channel, mv in ((PRESSURE, 2500), (TEMPERATURE, 2500), (MASS, 1000), (LOOP, 2400)):
            self.set_input(channel, mv)

    def close(self) -> None:
        self._child.kill()
        self._child.wait()
        for stream in (self._child.stdin, self._child.stdout):
            if stream is not None:
                stream.close()

    def __enter__(self) -> "Board":
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    def _ask(self, command: str) -> str:
        assert self._child.stdin is not None
        assert self._child.stdout is not None
        self._child.stdin.write(command + "\n")
        answer = self._child.stdout.readline().strip()
        assert answer, f"the emulator ended at {command!r}"
        assert not answer.startswith("what?"), answer
        return answer

    def run(self, ms: int, data: bytes = b"") -> bytes:
        """Let `ms` pass with `data` coming in at the speed of the line; what was sent meanwhile."""
        if data:
            self._ask(f"rx {data.hex()}")
        sent, relay = self._ask(f"run {ms}").split()
        self.relay = relay == "1"
        self.ms += ms
        return b"" if sent == "-" else bytes.fromhex(sent)

    def step(self, data: bytes, now_s: float) -> bytes:
        """As the simulated device's: on to now_s; a reply to `data` then has 60 ms to come."""
        out = self.run(max(0, round(now_s * 1000) - self.ms))
        return out + self.run(60, data) if data else out

    def set_input(self, channel: int, mv: float) -> None:
        self._ask(f"adc {channel} {round(mv)}")

    def set_bridge(self, counts: int) -> None:
        self._ask(f"bridge {counts}")

    def set_supply(self, mv: int) -> None:
        self._ask(f"supply {mv}")

    def reset(self, kind: str) -> None:
        """power: RAM is forgotten; brownout: it is scrambled. The EEPROM stays. The contact is open from here on."""
        self._ask(f"reset {kind}")
        self.relay = False

    def hang(self) -> None:
        """The main loop stands still from now on."""
        self._ask("hang")

    def poke(self, address: int, data: bytes) -> None:
        self._ask(f"poke {address:x} {data.hex()}")

    def peek(self, address: int, count: int) -> bytes:
        return bytes.fromhex(self._ask(f"peek {address:x} {count}"))

    def reopen_delay_is_over(self) -> None:
        """Of the first output: as if it had been open for long."""
        (at,) = (at for name, at in symbols(self.elf).items() if name.endswith("output_states"))  # C++ leads the name
        self.poke(at + REOPEN_MS_AT, bytes(4))

    def stack_bytes(self) -> int:
        """The most stack used since the last start."""
        return int(self._ask(f"stack {symbols(self.elf)['_end']:x}"))
