"""From a device's frames to readings: live, through a session on a bad line, and on replay, from the stored frames."""

import random
from dataclasses import replace
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from logger.decode.device_model import CHANNELS_CHANGED, Explained, ProtocolDevice
from logger.link import link_events as events
from logger.link.session.session import Session
from logger.model.rig import Calibration, RigChannel, RigDevice
from logger.model.sample import PointSample
from logger.model.units import NS_PER_S
from logger.pipeline.device_readings import DeviceReadings
from tests.decode.test_device_model import LAYOUTS, frame, hello, samples
from tests.link.fake_device import DEVICE_ID, FakeDevice
from tests.link.line import Line

SCALE = RigDevice("scale", None, channels=(RigChannel(0, "cylinder_mass"),))


class Taken:
    """Two ways for the same events: explained by the session, and from the bytes alone."""

    def __init__(self) -> None:
        self.live, self.replayed = (DeviceReadings(DEVICE_ID.hex(), SCALE) for _ in range(2))
        self.samples: list[PointSample] = []
        self.frames = 0

    def take(self, event: Any) -> None:
        match event:
            case events.Described(raws=raws, explained=explained):
                for raw, one in zip(raws, explained, strict=True):
                    self._frame(event.at_ns, raw, one)
            case events.HelloReceived() | events.SamplesReceived() | events.StatusReceived() | events.TimeMarked():
                self._frame(event.at_ns, event.raw, event.explained)
            case events.GapLost(boot_count=boot_count, first=first, last=last):
                self.replayed.given_up(boot_count, first, last)

    def _frame(self, at_ns: int, raw: bytes, explained: Explained) -> None:
        ours, theirs = self.live.frame(at_ns, raw, explained), self.replayed.frame(at_ns, raw)
        assert ours == theirs
        self.samples += ours
        self.frames += 1


STEPS = ("noise", "noise", "loss", "quiet", "cut", "reboot", "scale", "flood")


@settings(max_examples=25, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(STEPS), st.floats(0.3, 4.0)), max_size=8), st.integers(0, 1000))
def test_a_session_and_a_replay_of_what_it_stored_read_the_same(steps: list[tuple[str, float]], seed: int) -> None:
    """Frames lost, damaged, sent again and twice, reboots, other layouts, connections that break."""
    line, taken, rng = Line(Session(), FakeDevice(), seed=seed), Taken(), random.Random(seed)
    line.connect()
    line.run(1.5)
    for step, seconds in steps:
        match step:
            case "noise":
                line.to_host.flip = line.to_device.flip = rng.choice([0.0, 0.002, 0.01])
            case "loss":
                line.to_host.drop = rng.choice([0.0, 0.005])
            case "quiet":
                line.to_host.silent = not line.to_host.silent
            case "cut":
                line.disconnect()
                line.run(seconds)
                line.connect()
            case "reboot":
                line.device.boot(line.now_ns)
            case "scale" if line.device.channels[0].exponent > -8:
                line.device.change_scale()
            case "flood":
                first = max(0, line.device.sequence - 20)
                line.device.resend += range(first, line.device.sequence)  # nobody asked for these
        line.run(seconds)
        if line.session.over:
            line.disconnect()
            line.connect()
    for faults in (line.to_host, line.to_device):
        faults.flip = faults.drop = 0.0
        faults.silent = False
    line.run(20)
    for event in line.events:
        taken.take(event)
    assert taken.frames > 10 and taken.samples
    live, replayed = line.session.model, taken.replayed.model
    assert isinstance(replayed, ProtocolDevice)
    assert live.hello == replayed.hello and live.described == replayed.described
    assert live.sequence is not None and replayed.sequence is not None
    assert live.sequence.next == replayed.sequence.next
    assert live.sequence.missing == replayed.sequence.missing == ()


def described(readings: DeviceReadings, model: ProtocolDevice, layout: Any) -> None:
    for message in (hello(layout), *layout.channels):
        readings.frame(0, frame(message), taken(model, message))


def taken(model: ProtocolDevice, message: Any) -> Explained:
    explained = model.take(frame(message), message)
    assert explained is not None
    return explained


def masses(readings: DeviceReadings, t_ns: int, message: Any, explained: Explained | None = None) -> list[float | None]:
    return [sample.value for sample in readings.frame(t_ns, frame(message), explained)]


def test_what_another_model_explains_counts_as_well() -> None:
    """After a restart the readings are the replay's and the model is the link's."""
    readings, other = DeviceReadings("id", SCALE), ProtocolDevice()
    described(readings, ProtocolDevice(), LAYOUTS[0])
    decoders = readings.decoders
    described(readings, other, LAYOUTS[0])
    assert readings.decoders is decoders and decoders
    assert masses(readings, NS_PER_S, samples(LAYOUTS[0], 7), taken(other, samples(LAYOUTS[0], 7))) == [7.0]
    assert readings.readings() == [(decoders[0], 7)]


def test_a_greeting_of_one_that_knows_no_layout_yet_changes_nothing() -> None:
    """A second device with the same id says hello, and is refused."""
    readings = DeviceReadings("id", SCALE)
    described(readings, ProtocolDevice(), LAYOUTS[0])
    stranger = hello(LAYOUTS[0], boot_count=9)
    readings.frame(0, frame(stranger), taken(ProtocolDevice(), stranger))
    assert readings.problem is None and readings.decoders
    readings.frame(0, frame(hello(LAYOUTS[1])), taken(ProtocolDevice(), hello(LAYOUTS[1])))
    assert readings.problem == CHANNELS_CHANGED and not readings.decoders


def test_samples_from_before_a_change_are_decoded_by_their_own_layout() -> None:
    readings = DeviceReadings("id", SCALE)
    described(readings, ProtocolDevice(), LAYOUTS[0])
    for message in (hello(LAYOUTS[0]), *LAYOUTS[0].channels, hello(LAYOUTS[1]), *LAYOUTS[1].channels):
        readings.frame(0, frame(message))
    assert masses(readings, NS_PER_S, samples(LAYOUTS[1], 50)) == [5.0]
    newest = readings.readings()
    assert masses(readings, NS_PER_S, samples(LAYOUTS[0], 7)) == [7.0]
    assert readings.readings() == newest, "one from before is not the newest"
    channel = replace(SCALE.channels[0], calibration=Calibration(zero=2.0))
    assert readings.use(replace(SCALE, channels=(channel,)))
    assert masses(readings, NS_PER_S, samples(LAYOUTS[0], 7)) == [5.0]
