/* A 0.5-4.5 V transducer on 5 V at A0 and a 10 kOhm thermistor with 10 kOhm to 5 V at A1, over the serial port at 115 200.
 * Both are measured against the supply that feeds them, so neither a reference nor the exact supply matters. */
#include <EEPROM.h>
#include <rimelog.h>

static const rl_firmware firmware RL_FLASH = {"Pressure and temperature", "1.0", "Sketch"};
static const rl_channel channels[] RL_FLASH = {
    /* 10 bits of 5 V: raw / 1024 is the ratio; sent times 10^-4 */
    {RL_GAUGE_PRESSURE, "kPa", RL_I16, -4, 200, RL_RATIOMETRIC, 4, {0.1, 0, 0.9, 3500}, {0, 3500}, 17.5, 0, "Suction", 0},
    /* Ohm */
    {RL_TEMPERATURE, "Cel", RL_I24, 0, 1000, RL_NTC_BETA, 3, {10000, 298.15, 3950}, {-40, 110}, 0.5, 0, "Suction line", 0},
};

static rl_device device;
static rl_channel_state channel_states[2];
static uint8_t frame[128], ring[600];

static uint8_t send_some(rl_device *, const uint8_t *bytes, uint8_t n)
{
    int room = Serial.availableForWrite();
    return Serial.write(bytes, n < room ? n : room);
}

static int32_t measure(rl_device *, uint8_t channel)
{
    int32_t counts = analogRead(A0 + channel);
    if (channel == 0)
        return counts < 50 ? RL_OPEN_CIRCUIT : counts * 10000 / 1024;
    if (counts > 1010)
        return RL_OPEN_CIRCUIT;
    return counts < 10 ? RL_SHORT_CIRCUIT : counts * 10000 / (1024 - counts);
}

void setup()
{
    Serial.begin(115200);
    uint32_t boots;
    EEPROM.get(0, boots);
    EEPROM.put(0, ++boots);
    memcpy(device.device_id, "MyGauge1", 8); /* never the same in two devices: give each board its own */
    device.device_id_bytes = 8;
    device.boot_count = boots;
    device.firmware = &firmware;
    device.channels = channels;
    device.channel_states = channel_states;
    device.channel_count = 2;
    device.min_period_ms = 20;
    device.resend_shift = 2;
    device.frame = frame;
    device.frame_size = sizeof frame;
    device.ring = ring;
    device.ring_size = sizeof ring;
    device.write = send_some;
    device.read = measure;
    rl_start_up(&device, millis());
}

void loop()
{
    rl_poll(&device, millis());
    while (Serial.available())
        rl_input(&device, Serial.read());
}
