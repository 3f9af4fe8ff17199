"""The alarm tone as a WAV file, made here: no sound file to ship, no desktop theme needed.

Bursts of pulses as IEC 60601-1-8 has them (from memory): three for high priority, three and two for urgent. The pulse
has two overtones, because small loudspeakers carry them better than a pure tone. Each level is higher and louder.
"""

import io
import math
import wave
from array import array

RATE_HZ = 22_050
PULSE_S = 0.16
GAP_S = 0.09
PAUSE_S = 0.3
FADE_S = 0.008
LEVELS = 4
_PITCH_HZ = (784.0, 988.0, 1175.0, 1568.0)  # notes g'', b'', d''', g''' of equal temperament, rounded
_LOUDNESS = (0.4, 0.6, 0.8, 0.95)
_OVERTONES = ((1, 1.0), (2, 0.5), (3, 0.25))


def pitch_hz(level: int) -> float:
    return _PITCH_HZ[min(level, LEVELS - 1)]


def tone(urgent: bool, level: int) -> bytes:
    """A WAV file: mono, 16 bit, `RATE_HZ`. level 0 to 3, higher and louder; more is as 3."""
    pulse = _pulse(pitch_hz(level), _LOUDNESS[min(level, LEVELS - 1)])
    gap, pause = _silence(GAP_S), _silence(PAUSE_S)
    samples = array("h")
    for group in (3, 2) if urgent else (3,):
        for _ in range(group):
            samples += pulse + gap
        samples += pause
    file = io.BytesIO()
    with wave.open(file, "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(RATE_HZ)
        if samples.itemsize == 2 and array("H", [1]).tobytes() == b"\x00\x01":
            samples.byteswap()  # WAV is little-endian
        out.writeframes(samples.tobytes())
    return file.getvalue()


def _pulse(hz: float, loudness: float) -> "array[int]":
    count, fade = int(PULSE_S * RATE_HZ), int(FADE_S * RATE_HZ)
    scale = 32767 * loudness / sum(weight for _, weight in _OVERTONES)
    out = array("h")
    for i in range(count):
        phase = math.tau * hz * i / RATE_HZ
        edge = min(1.0, i / fade, (count - 1 - i) / fade)  # without it every pulse begins and ends with a click
        out.append(round(scale * edge * sum(weight * math.sin(n * phase) for n, weight in _OVERTONES)))
    return out


def _silence(seconds: float) -> "array[int]":
    return array("h", bytes(2 * int(seconds * RATE_HZ)))
