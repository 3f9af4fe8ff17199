/* A voltage that stands for a weight at A0 (0-5 V, 0-100 kg) and a relay at pin 7 that a host may hold closed, with the
 * weight as its guard. The relay is open without supply, in reset, when the host is silent and when this sketch hangs. */
#include <EEPROM.h>
#include <avr/wdt.h>
#include <rimelog.h>

#define RELAY 7

static const rl_firmware firmware RL_FLASH = {"Scale with relay", "1.0", "Sketch"};
static const rl_channel channels[] RL_FLASH = {
    {RL_MASS, "kg", RL_I24, -2, 200, RL_DIRECT, 0, {0}, {0, 100}, 0.2, 0, "Scale", 0},
};
static const rl_output outputs[] RL_FLASH = {{10000, 180000, 0, "Recovery machine"}};

static rl_device device;
static rl_channel_state channel_states[1];
static rl_output_state output_states[1];
static uint8_t frame[128], ring[400];

static uint8_t send_some(rl_device *, const uint8_t *bytes, uint8_t n)
{
    int room = Serial.availableForWrite();
    return Serial.write(bytes, n < room ? n : room);
}

static int32_t measure(rl_device *, uint8_t)
{
    int32_t counts = analogRead(A0);
    return counts >= 1023 ? RL_OVER_RANGE : counts * 10000 / 1024; /* in 0.01 kg */
}

static void set_relay(rl_device *, uint8_t, bool closed)
{
    digitalWrite(RELAY, closed ? HIGH : LOW);
}

void setup()
{
    digitalWrite(RELAY, LOW); /* before it becomes an output */
    pinMode(RELAY, OUTPUT);
    Serial.begin(115200);
    uint32_t boots;
    EEPROM.get(0, boots);
    EEPROM.put(0, ++boots);
    memcpy(device.device_id, "MyScale1", 8); /* never the same in two devices: give each board its own */
    device.device_id_bytes = 8;
    device.boot_count = boots;
    device.firmware = &firmware;
    device.channels = channels;
    device.channel_states = channel_states;
    device.channel_count = 1;
    device.outputs = outputs;
    device.output_states = output_states;
    device.output_count = 1;
    device.min_period_ms = 20;
    device.resend_shift = 2;
    device.frame = frame;
    device.frame_size = sizeof frame;
    device.ring = ring;
    device.ring_size = sizeof ring;
    device.write = send_some;
    device.read = measure;
    device.set_output = set_relay;
    rl_start_up(&device, millis());
    wdt_enable(WDTO_250MS); /* a relay must not stay closed because a loop does not end */
}

void loop()
{
    wdt_reset();
    rl_poll(&device, millis());
    while (Serial.available())
        rl_input(&device, Serial.read());
}
