"""The logger reads the simulated rig: its rig file is accepted, and every channel decodes to what the plant was."""

import pytest

from firmware_protocol.framing import Frame, FrameDecoder, encode_frame
from firmware_protocol.layout import Layout
from firmware_protocol.messages import Samples, decode_payload, encode_message
from firmware_protocol.requests import Start
from logger.config.rig_file import parse_rig
from logger.decode.channel import ChannelDecoder
from logger.model.points import POINTS
from sim_device.plant import Plant
from sim_device.rig import Rig, rig_toml
from sim_device.scenarios import SCENARIOS

NOT_SIMULATED = {
    "compressor_suction_temperature", "valve_inlet_temperature", "condenser_entering_temperature",
    "condenser_leaving_temperature", "second_system_temperature",
}  # fmt: skip


def test_plant_has_the_loggers_points() -> None:
    assert set(Plant("tight").channels) == set(POINTS) - NOT_SIMULATED


@pytest.mark.parametrize(("name", "at_s"), [("brewery", 700.0), ("start_up", 1500.0)])
def test_every_channel_decodes_to_the_truth(name: str, at_s: float) -> None:
    rig = Rig(name, 2)
    urls = {device: f"socket://127.0.0.1:{5000 + i}" for i, device in enumerate(rig.devices)}
    file = parse_rig(rig_toml(urls, SCENARIOS[name], seed=2))
    seen = set()
    for row in file.devices:
        device = rig.device(row.name)
        assert row.device_id == device.device_id.hex()
        layout = Layout([s.spec.describe(i) for i, s in enumerate(device.sensors)])
        decoders = {c.index: ChannelDecoder(layout.channels[c.index], c) for c in row.channels}
        assert sorted(decoders) == list(range(len(device.sensors)))
        rig.step(row.name, encode_frame(encode_message(Start(1))), max(device._now_s, at_s))
        sent = rig.step(row.name, b"", device._now_s + 1.1)
        messages = [decode_payload(b.payload) for b in FrameDecoder().feed(sent) if isinstance(b, Frame)]
        first = next(m for m in messages if isinstance(m, Samples))
        for index, raw in layout.unpack(first):
            spec = device.sensors[index].spec
            sample = decoders[index].decode(0, raw, ambient_pa=rig.plant.read("barometer"))
            seen.add(sample.point)
            if sample.value is None:
                assert (spec.point, sample.problem) == ("vacuum", "over range")
                continue
            truth = rig.plant.read(spec.point, first.tick / 1000)
            u = decoders[index].uncertainty(raw if isinstance(raw, int) else 0)
            assert u.accuracy is not None
            assert sample.value == pytest.approx(truth, abs=3**0.5 * u.accuracy + 1e-9), spec.point
    assert seen == set(POINTS) - NOT_SIMULATED
