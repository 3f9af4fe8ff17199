"""`rimelog rig new`: a Modbus transmitter, by its register list."""

from collections.abc import Sequence

from logger.app.rig_listening import Listener
from logger.cli.rig_wizard.questions import Zeroing, ask, choose, heading, name_problem, needed, say, whole, yes
from logger.cli.rig_wizard.stated_steps import ask_stated, typed_problem
from logger.cli.rig_wizard.text_steps import ask_serial, ask_unit
from logger.config.rig_draft import DeviceDraft, RigDraft, Value
from logger.decode.registers import blocks
from logger.link import connect
from logger.link.modbus.modbus_client import ModbusMissing, need_pymodbus
from logger.model.instrument import ModbusPort, Register
from logger.model.text import clean

ANSWER_S = 4.0
TYPES = ("int16", "uint16", "int32", "uint32", "float32")
TABLES = ("input", "holding")


def modbus_instrument(
    listener: Listener, draft: RigDraft, zeroing: Zeroing, silent: Sequence[str]
) -> DeviceDraft | None:
    """Asks for its registers one by one; None when it gives no reading that is used."""
    heading("Modbus transmitter")
    try:
        need_pymodbus()
    except ModbusMissing as exc:
        say(str(exc))
        return None
    for url in silent:
        say(f"   -  {clean(url, 60)}")
    url = ask("Url or serial port, such as socket://192.168.1.50:502, /dev/ttyUSB2, COM5", problem=needed)
    keys: dict[str, Value] = {"kind": "modbus", "url": url}
    network = url.startswith("socket://")
    framing = "tcp" if network else "rtu"
    baud, mode = (19_200, "8E1") if network else ask_serial(19_200, "8E1")
    if not network:
        keys |= {"baud": baud, "mode": mode}
    elif yes("Is it a serial line behind a network adapter (RTU, not Modbus TCP)?"):
        framing = "rtu"
        keys["framing"] = framing
    unit_id = int(ask("Unit id", "1", problem=whole(0, 255)))
    name = ask("Name for it", "transmitter" if "transmitter" not in draft.names else "", problem=name_problem(draft))
    device = DeviceDraft({"name": name, **keys, "unit_id": unit_id}, (), "Modbus transmitter")
    port = ModbusPort(framing, baud, mode)
    while True:
        device = _ask_register(device, url, port, unit_id, listener, draft, zeroing)
        if not yes("Another register?"):
            return device if device.channels else None


def _ask_register(
    device: DeviceDraft, url: str, port: ModbusPort, unit_id: int, listener: Listener, draft: RigDraft,
    zeroing: Zeroing,
) -> DeviceDraft:  # fmt: skip
    table = TABLES[choose("Which registers?", ["input registers (function 4)", "holding registers (function 3)"], 0)]
    say("Addresses count from 0: a list that says 40001 means holding register 0, 30001 input register 0.")
    address = int(ask("Address", "0", problem=whole(0, 65535)))
    type_ = TYPES[choose("Of which type?", TYPES, 4)]
    field: dict[str, Value] = {"registers": table, "address": address, "type": type_}
    order = "big"
    if type_.endswith("32"):
        order = ("big", "little")[choose("Which word first?", ["high word first", "low word first"], 0)]
        field["word_order"] = order
    scale = float(ask("Number times", "1", problem=_factor_problem))
    field["scale"] = scale
    unit = ask_unit("gives which unit", "")
    field["unit"] = unit
    register = Register(unit_id, table, address, type_, order, scale)
    observed = listener.observe(lambda take: connect.to_registers(url, port, None, blocks([register]), take))
    try:
        if not listener.wait(ANSWER_S, lambda: bool(observed.raws())):
            say(f"It is not heard: {clean(observed.problem or 'it does not answer', 100)}")
            return device
        step = "" if type_ == "float32" else f"{abs(scale):g}"
        channel = ask_stated(device, field, unit, step, draft, zeroing, observed, listener)
    finally:
        listener.stop(observed)
    return device if channel is None else device.with_channel(channel)


def _factor_problem(text: str) -> str | None:
    return typed_problem(lambda: float(text)) or (
        None if 0 < abs(float(text)) <= 1e6 else "Enter a number other than 0, up to 1000000."
    )
