"""Flash and RAM of the C library on an ATmega328P (avr-gcc), and flash on a Cortex-M0 (clang): printed and bounded."""

import re
import subprocess
from pathlib import Path

import pytest

from tests.conftest import Figure
from tests.once import built_folder, once_a_run
from tests.protocol.c.library import AVR_OPTIONS, HERE, SOURCE, STRICT
from tests.tools import needs

KB = 1024
CORTEX = SOURCE.parents[1] / "firmware" / "reference" / "cortex_m"  # a string.h for a chip without a C library
OTHER = {"main", "send_some", "measure", "set_output", "firmware", "channels", "outputs"}  # of smallest.c


def sizes(nm: str, program: Path) -> dict[str, tuple[str, int]]:
    """Symbol -> (section letter, bytes)."""
    listed = subprocess.run([nm, "-S", program], capture_output=True, text=True, check=True).stdout
    rows = re.findall(r"^[0-9a-f]+ ([0-9a-f]+) (\w) (\S+)$", listed, re.M)
    return {name: (letter.lower(), int(size, 16)) for size, letter, name in rows}


@once_a_run
def library_symbols() -> set[str]:
    """Everything that rimelog.c defines, with the numbers that the compiler adds to names taken off."""
    folder = built_folder("c-library")
    subprocess.run([needs("avr-gcc", "an AVR build"), "-mmcu=atmega328p", "-Os", "-fno-inline", "-c", "-I", SOURCE,
                    SOURCE / "rimelog.c", "-o", folder / "all.o"], check=True)  # fmt: skip
    listed = subprocess.run(["avr-nm", folder / "all.o"], capture_output=True, text=True, check=True).stdout
    return {name.split(".")[0] for name in re.findall(r" [tTrRdDbB] (\S+)$", listed, re.M)}


PLAIN = ["-Os", *(option for option in AVR_OPTIONS if "sections" in option)]  # what a maker's tool chain does by itself
RELAXED = [*PLAIN, "-Wl,--relax"]


def built(folder: Path, *options: str, own: list[str] = AVR_OPTIONS) -> Path:
    program = folder / "smallest.elf"
    subprocess.run(
        [needs("avr-gcc", "an AVR build"), "-mmcu=atmega328p", *STRICT, *own, *options, "-I", SOURCE,
         HERE / "smallest.c", SOURCE / "rimelog.c", "-o", program], check=True,
    )  # fmt: skip
    return program


@pytest.mark.parametrize(
    ("what", "built_by", "options", "most"),
    [
        ("all with outputs, -Os", PLAIN, (), 4.5 * KB),
        ("all with outputs, -Os and --relax", RELAXED, (), 4.4 * KB),
        ("without outputs, -Os", PLAIN, ("-DRL_NO_OUTPUTS",), 4 * KB),
        ("the codec alone, -Os", PLAIN, ("-DCODEC_ALONE",), 2.5 * KB),
    ],
)
def test_flash_on_an_atmega328p(
    what: str, built_by: list[str], options: tuple[str, ...], most: float, tmp_path: Path, figure: Figure
) -> None:
    found = sizes("avr-nm", built(tmp_path, *options, own=built_by))
    own = library_symbols()
    flash = {name: size for name, (letter, size) in found.items() if letter in "tr" and name.split(".")[0] in own}
    figure(f"C library on an ATmega328P, {what}: {sum(flash.values())} bytes of flash, at most {most:.0f}")
    assert not OTHER & set(flash)
    assert sum(flash.values()) <= most


def test_flash_with_the_compilers_helpers(tmp_path: Path, figure: Figure) -> None:
    """By the options of the reference firmware."""
    found = sizes("avr-nm", built(tmp_path))
    flash = sum(size for name, (letter, size) in found.items() if letter in "tr" and name not in OTHER)
    figure(f"C library on an ATmega328P, built as firmware/ is, with the compiler's helpers: {flash} bytes of flash")
    assert flash <= 4.5 * KB


def test_ram_on_an_atmega328p(tmp_path: Path, figure: Figure) -> None:
    found = sizes("avr-nm", built(tmp_path))
    ram = {name: size for name, (letter, size) in found.items() if letter in "bd" and not name.startswith("__")}
    ring = ram.pop("ring")
    figure(f"C library on an ATmega328P, the example: {sum(ram.values())} bytes of RAM beside a ring of {ring}")
    assert sum(ram.values()) <= 0.4 * KB


def test_flash_on_a_cortex_m0(tmp_path: Path, figure: Figure) -> None:
    """No arithmetic that a Cortex-M0 lacks: the object asks for nothing but the memory functions."""
    clang = needs("clang", "a Cortex-M build")
    target = tmp_path / "rimelog.o"
    subprocess.run(
        [clang, "--target=thumbv6m-none-eabi", "-mcpu=cortex-m0", *STRICT, "-Os", "-ffreestanding", "-isystem",
         CORTEX, "-c", SOURCE / "rimelog.c", "-o", target], check=True,
    )  # fmt: skip
    nm = needs("llvm-nm", "reads the Cortex-M build")
    undefined = subprocess.run([nm, "-u", target], capture_output=True, text=True, check=True).stdout.split()
    assert {name for name in undefined if name != "U"} <= {"memcpy", "__aeabi_memcpy", "__aeabi_memcpy4", "memset"}
    flash = sum(size for letter, size in sizes(nm, target).values() if letter in "tr")
    figure(f"C library on a Cortex-M0, whole: {flash} bytes of flash")
    assert flash <= 5.5 * KB  # the whole object; nothing is left out by the linker yet
