"""The tone's samples, and its way through players that are real processes."""

import array
import asyncio
import io
import os
import sys
import time
import wave
from itertools import pairwise
from pathlib import Path

import pytest

from logger.annunciate import sound as sound_module
from logger.annunciate.errors import ChannelFailed
from logger.annunciate.sound import Sound
from logger.annunciate.tone import LEVELS, PULSE_S, RATE_HZ, pitch_hz, tone
from tests.annunciate.fakes import calls, only_these, program

posix = pytest.mark.skipif(os.name != "posix", reason="the stand-in players are shell scripts")


def samples(wav: bytes) -> "array.array[int]":
    with wave.open(io.BytesIO(wav)) as file:
        assert (file.getnchannels(), file.getsampwidth(), file.getframerate()) == (1, 2, RATE_HZ)
        out = array.array("h", file.readframes(file.getnframes()))
    if sys.byteorder == "big":
        out.byteswap()
    return out


def pulses(data: "array.array[int]") -> list["array.array[int]"]:
    """Stretches of sound between silences of at least 20 ms."""
    found, start, quiet = [], None, 0
    for i, sample in enumerate([*data, *[0] * RATE_HZ]):
        if sample:
            start, quiet = (i if start is None else start), 0
        elif start is not None:
            quiet += 1
            if quiet > RATE_HZ // 50:
                found.append(data[start : i - quiet + 1])
                start = None
    return found


@pytest.mark.parametrize("urgent", [False, True])
@pytest.mark.parametrize("level", range(LEVELS))
def test_pitch_loudness_and_pulses(urgent: bool, level: int) -> None:
    data = samples(tone(urgent, level))
    parts = pulses(data)
    assert len(parts) == (5 if urgent else 3)  # three, or three and two
    for part in parts:
        crossings = sum(a < 0 <= b for a, b in pairwise(part))
        assert crossings / (len(part) / RATE_HZ) == pytest.approx(pitch_hz(level), rel=0.01)
        assert len(part) / RATE_HZ == pytest.approx(PULSE_S, abs=0.002)
    peak = max(map(abs, data))
    assert 0.25 * 32767 < peak < 32767  # audible, and nowhere at the stop
    for part in parts:
        assert max(map(abs, [*part[:4], *part[-4:]])) < peak / 20  # no click at the beginning and end


def test_every_level_is_higher_and_louder() -> None:
    peaks = [max(map(abs, samples(tone(True, level)))) for level in range(LEVELS)]
    assert peaks == sorted(set(peaks))
    assert [pitch_hz(level) for level in range(LEVELS)] == sorted({pitch_hz(level) for level in range(LEVELS)})
    assert tone(True, LEVELS + 5) == tone(True, LEVELS - 1)


@posix
def test_the_first_player_that_works_plays_a_real_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    program(tmp_path, "pw-play", fails="no server to play to")
    program(tmp_path, "aplay")
    monkeypatch.setenv("PATH", only_these(tmp_path))
    sound = Sound("linux")
    asyncio.run(sound.ring(True, 0))
    asyncio.run(sound.ring(True, 1))
    assert len(calls(tmp_path, "pw-play")) == 1  # afterwards the one that worked is asked first
    played = calls(tmp_path, "aplay")
    assert [args[0] for args in played] == ["-q", "-q"]
    paths = [Path(args[1]) for args in played]
    assert [path.read_bytes() for path in paths] == [tone(True, 0), tone(True, 1)]
    sound.close()
    assert not any(path.exists() for path in paths)


@posix
def test_failing_players_are_all_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    program(tmp_path, "paplay", fails="Connection refused")
    program(tmp_path, "aplay", fails="no cards")
    monkeypatch.setenv("PATH", only_these(tmp_path))
    sound = Sound("linux")
    sound.check()
    with pytest.raises(ChannelFailed, match=r"paplay: Connection refused; aplay: no cards"):
        asyncio.run(sound.ring(False, 0))
    sound.close()


@posix
def test_no_player_at_all_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    for platform, hint in (("linux", "install pw-play or paplay or aplay"), ("darwin", "install afplay")):
        sound = Sound(platform)
        with pytest.raises(ChannelFailed, match=hint):
            sound.check()
        with pytest.raises(ChannelFailed, match=hint):
            asyncio.run(sound.ring(False, 0))
        sound.close()


@posix
def test_a_player_that_hangs_is_ended_and_holds_nothing_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    program(tmp_path, "pw-play", sleeps=60)
    monkeypatch.setenv("PATH", only_these(tmp_path))
    monkeypatch.setattr(sound_module, "TIMEOUT_S", 1.0)

    async def ring() -> int:
        turns, sound = 0, Sound("linux")
        ringing = asyncio.create_task(sound.ring(True, 0))
        while not ringing.done():
            await asyncio.sleep(0.01)
            turns += 1
        with pytest.raises(ChannelFailed, match=r"pw-play: did not end within 1 s"):
            await ringing
        sound.close()
        return turns

    begun = time.monotonic()
    assert asyncio.run(ring()) >= 3  # the loop went on turning
    assert time.monotonic() - begun < 50


@posix
def test_a_full_disk_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    program(tmp_path, "pw-play")
    monkeypatch.setenv("PATH", only_these(tmp_path))

    def full(self: Path, data: bytes) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    sound = Sound("linux")
    with pytest.raises(ChannelFailed, match="the alarm tone cannot be written: No space left"):
        asyncio.run(sound.ring(True, 0))
    sound.close()


@pytest.mark.skipif(sys.platform == "win32", reason="winsound is there")
def test_winsound_elsewhere_is_a_clear_failure() -> None:
    sound = Sound("win32")
    with pytest.raises(ChannelFailed, match="only there on Windows"):
        asyncio.run(sound.ring(True, 0))
    sound.close()
