"""`rimelog rig new` as a person uses it: answers typed on a terminal of 80x24, or piped in; devices on real links."""

import asyncio
import contextlib
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.config.rig_file import load_rig
from logger.model.instrument import LineField, Register
from tests.end_to_end.running import environment, rimelog, simulated, until
from tests.link.modbus.bench import Transmitter, tcp_server
from tests.link.text.bench import TextInstrument, on_pty
from tests.terminal import PTY, Terminal

COMMAND = [sys.executable, "-m", "logger", "rig", "new", "--no-ports", "--seconds", "3"]


@contextlib.contextmanager
def instruments() -> Iterator[dict[str, str]]:
    """Urls of an invented scale on a serial port and an invented transmitter, in a loop of their own."""
    scale = TextInstrument(lambda: b"N   30.07 lb S\r\n", period_s=0.05)
    transmitter = Transmitter(3)
    transmitter.put_float(6, 0.12)
    ready, over = threading.Event(), asyncio.Event()
    loop = asyncio.new_event_loop()
    urls: dict[str, str] = {}

    async def serve() -> None:
        async with on_pty(scale) as port, tcp_server(transmitter) as url:
            urls.update(scale=port, transmitter=url)
            ready.set()
            await over.wait()

    thread = threading.Thread(target=lambda: loop.run_until_complete(serve()), daemon=True)
    thread.start()
    try:
        assert ready.wait(60)
        yield urls
    finally:
        loop.call_soon_threadsafe(over.set)
        thread.join(60)
        loop.close()


def typed(place: Path, answers: list[str], *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*COMMAND, *words], input="".join(f"{answer}\n" for answer in answers), env=environment(place), cwd=place,
        text=True, capture_output=True, timeout=200, check=False,
    )  # fmt: skip


def test_a_rig_of_three_kinds_by_typed_answers(tmp_path: Path) -> None:
    with instruments() as urls, simulated(tmp_path, "tight", only=("vacuum board",)) as sim:
        answers = [
            "Trolley 7", "",  # its name; all that answers
            "", "", "4", "",  # vacuum board: its name, vacuum, system pressure by its number, system pipe
            "2", urls["scale"], "4800", "8n1", "",  # a text instrument that sends by itself
            "bench scale", "1", "",  # the number is the reading, lb is lb
            "2", "", "n",  # the word S says that it is steady; unsteady readings are not used
            "1", "", "0lb", "330", "0.1", "",  # point, step, range, accuracy; it reads right
            "",  # no other reading
            "3", urls["transmitter"], "", "3", "",  # a Modbus transmitter, unit 3
            "1", "6", "5", "1", "nan", "0", "1", "barg",  # input register 6, float32, high word first, times 1: barg
            "6", "0.01", "", "", "", "", "y",  # discharge pressure; step; nothing else known; open to air: zero it
            "",  # no other register
            "", "",  # nothing more; write it
        ]  # fmt: skip
        done = typed(tmp_path, answers, "--url", sim.urls["vacuum board"], "--out", "new.toml")
        assert done.returncode == 0, done.stdout + done.stderr
        assert done.stdout.count("Enter a number other than 0, up to 1000000.") == 2
        assert "reading for 3 s" in done.stdout and "shows 0.12bar at nothing" in done.stdout
        rig = load_rig(tmp_path / "new.toml")
        assert rig.name == "Trolley 7"
        points = {d.name: [c.point for c in d.channels] for d in rig.devices}
        assert list(points.values()) == [
            ["vacuum", "system_pressure", "system_temperature"], ["cylinder_mass"], ["discharge_pressure"],
        ]  # fmt: skip
        board, scale, transmitter = rig.devices
        assert board.device_id and board.url == sim.urls["vacuum board"]
        field, stated = scale.channels[0].source, scale.channels[0].stated
        assert isinstance(field, LineField) and field.stable == ("S",) and not field.use_unstable
        assert stated is not None and (stated.unit, stated.division, stated.high) == ("lb", 0.01, 330.0)
        register, calibration = transmitter.channels[0].source, transmitter.channels[0].calibration
        assert isinstance(register, Register) and (register.unit_id, register.address) == (3, 6)
        assert calibration.zero == pytest.approx(0.12e5) and calibration.zeroed is not None

        # What was written works; only the vacuum gauge is beyond its range, with the circuit hardly evacuated.
        said = rimelog(tmp_path, "rig", "check", "new.toml")
        assert "4 of 5 points have a reading" in said
        assert re.search(r"Scale \(gross\) .* 30\.1 lb", said) and re.search(r"Discharge pressure .* 0\.0 psig", said)


def test_words_that_no_pattern_was_made_of_are_named(tmp_path: Path) -> None:
    with instruments() as urls:
        answers = ["", "2", urls["scale"], "", "", "", "", "", "", "0"]  # none of its words says that it is steady
        done = typed(tmp_path, answers)
    assert "Only lines that say N and S as these do will be understood." in done.stdout


def test_nothing_is_written_over_without_a_word(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text("mine\n")
    done = typed(tmp_path, ["n"])
    assert done.returncode == 1 and "rig.toml is there already" in done.stdout
    done = typed(tmp_path, ["y", ""])  # replaced at the end only, and the answers end before
    assert done.returncode == 130 and "nothing was written" in done.stderr
    assert (tmp_path / "rig.toml").read_text() == "mine\n"


def test_wrong_answers_are_asked_again_with_what_is_wrong(tmp_path: Path) -> None:
    answers = ["", "9", "x", "2", "/dev/no-such-port", "fast", "9600", "9N1", "8N1", "", "n", "", ""]
    done = typed(tmp_path, answers)
    said = done.stdout
    assert said.count("A whole number from 1 to 4 is needed.") == 2
    assert "A whole number from 50 to 4000000 is needed." in said and "Such as 8N1 or 7E1." in said
    assert "No line was heard: /dev/no-such-port" in said
    assert "No device was added." in said and done.returncode == 1
    assert not (tmp_path / "rig.toml").exists()


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[Terminal]:
    shell = Terminal(["sh"], tmp_path)
    try:
        yield shell
    finally:
        shell.close()


@PTY
def test_the_keyboard_alone_on_80_by_24(tmp_path: Path, terminal: Terminal) -> None:
    with simulated(tmp_path, "recovery") as sim:
        out = tmp_path / "new.toml"
        urls = " ".join(f"--url {url}" for url in sim.urls.values())
        command = f"clear; {' '.join(COMMAND)} {urls} --out new.toml"
        terminal.press(command, "Enter")
        terminal.shows("What do you call this rig?")
        terminal.press("Enter")
        terminal.shows("Which belong to this rig?")
        terminal.press("1", "Enter")
        terminal.shows("Name for it [SIM-REC]")
        terminal.press("Enter")
        # The question, its choices, what the channel is called and what it reads now stand on one screen.
        screen = terminal.shows('Channel 0 "Recovery inlet", gauge pressure, now 143')
        assert "2  Recovery inlet" in screen and "Which point? (r: read again) [2]:" in screen
        assert "Recovery outlet" in screen and "Barometer                         14." in screen
        terminal.press("r", "Enter")
        terminal.press("Enter")
        screen = terminal.shows('Channel 1 "Recovery outlet"')
        assert "not zeroed: 143" in screen  # no zero is offered under pressure
        assert "Which point? (r: read again, b: back) [2]:" in screen
        terminal.press("b", "Enter")
        terminal.shows("Which point? (r: read again, b: back) [2]: b")
        until(
            lambda: re.search(
                r'Channel 1 "Recovery outlet".*Channel 0 "Recovery inlet".*Which point\? \(r: read again\) \[2\]:$',
                terminal.text.rstrip(), re.S,
            ),
            "the question before is asked again", why=lambda: terminal.text,
        )  # fmt: skip
        terminal.press("4", "Enter")  # it is the system's: the recovery inlet is free for the next
        assert "2  Recovery inlet           5" in terminal.shows("Which point? (r: read again, b: back) [3]:")

        terminal.press("C-c")
        assert "nothing was written" in terminal.shows("Stopped")
        assert not out.exists() and not list(tmp_path.glob(".new.toml*"))

        terminal.press(command, "Enter")
        terminal.shows("What do you call this rig?")
        terminal.press("Enter")
        terminal.shows("Which belong to this rig?")
        terminal.press("2", "Enter")  # the scale alone
        terminal.shows("Name for it [SIM-SCALE]")
        terminal.press("Enter")
        terminal.shows('Channel 0 "Platform scale", mass, now 27.')
        terminal.press("Enter")
        assert "not zeroed: 12.6 is more than a zero drifts" in terminal.shows("Nothing more")
        terminal.press("Enter")
        terminal.shows("Write new.toml? [Y/n]:")
        terminal.press("Enter")
        terminal.shows("new.toml is written.")
        rig = load_rig(out)
        assert [c.point for d in rig.devices for c in d.channels] == ["cylinder_mass"]


def test_ctrl_c_while_a_device_is_listened_to_leaves_at_once(tmp_path: Path) -> None:
    with simulated(tmp_path, "recovery", only=("scale",)) as sim:
        words = [*COMMAND, "--url", sim.urls["scale"], "--out", "x.toml"]
        with subprocess.Popen(
            words, env=environment(tmp_path), cwd=tmp_path, text=True, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
        ) as child:  # fmt: skip
            assert child.stdin is not None and child.stdout is not None
            child.stdin.write("\n\n\n")
            child.stdin.flush()
            for line in child.stdout:
                if "Platform scale" in line:
                    break
            begun = time.monotonic()
            child.send_signal(signal.SIGINT)
            said = child.stdout.read()
            assert child.wait(60) == 130 and "nothing was written" in said
            assert time.monotonic() - begun < 30
        assert not (tmp_path / "x.toml").exists()
