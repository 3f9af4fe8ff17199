/* Reference firmware: sensors, and one relay held by permit.
 *
 * What the inputs mean is in SENSORS: four_sensors.h, or every_sensor.h with one of each kind that docs/build.md shows.
 * Everything else is the library's (../../firmware_protocol/c) or the chip's (board.h). It is an example: it replaces no
 * pressure switch, relief device or licensed practice. */
#include "board.h"
#include "rimelog.h"

#ifndef SENSORS
#define SENSORS "four_sensors.h"
#endif
#include SENSORS

#include <string.h>

#ifndef MODEL
#define MODEL "Reference board"
#endif

#define CONVERTER_MS 500u  /* without a round of the converter it is broken */
#define SUPPLY_LOW_MV 4500u

static const rl_firmware firmware RL_FLASH = {"Reference firmware", "1.1.0", MODEL};

static rl_device device;
static rl_channel_state channel_states[CHANNELS];
static rl_output_state output_states[1];
static uint8_t frame[RL_FRAME_BYTES / 2], ring[RING_BYTES];
static bool converter_stands;

static uint8_t send_some(rl_device *d, const uint8_t *bytes, uint8_t n)
{
    (void)d;
    return board_write(bytes, n);
}

static void set_output(rl_device *d, uint8_t output, bool closed)
{
    (void)d;
    (void)output;
    board_relay(closed);
}

static int32_t read_channel(rl_device *d, uint8_t channel)
{
    uint16_t share;
    (void)d;
#ifdef BRIDGE
    if (channel == BRIDGE)
        return raw_of_bridge(board_bridge());
#endif
    share = board_input(channel);
    if (converter_stands)
        return RL_NO_READING;
    return share == BOARD_NOT_READY ? RL_NOT_READY : raw_of(channel, share);
}

/* What a status tells besides the library's own. */
static void look_after(uint32_t now_ms)
{
    static uint32_t round_ms;
    static uint8_t round;
    uint8_t faults = board_was_hung() ? RL_FAULT_WATCHDOG : 0;
    if (board_rounds() != round) {
        round = board_rounds();
        round_ms = now_ms;
    }
    converter_stands = now_ms - round_ms > CONVERTER_MS;
    device.supply_mv = board_supply_mv();
    if (converter_stands)
        faults |= RL_FAULT_CONVERTER;
    if (device.supply_mv != 0 && device.supply_mv < SUPPLY_LOW_MV)
        faults |= RL_FAULT_SUPPLY_LOW;
    device.faults = faults;
}

int main(void)
{
    int16_t byte;
    board_init();
    device.firmware = &firmware;
    device.channels = channels;
    device.channel_states = channel_states;
    device.channel_count = CHANNELS;
    device.outputs = outputs;
    device.output_states = output_states;
    device.output_count = 1;
    board_id(device.device_id);
    device.device_id_bytes = 8;
    device.boot_count = board_boot_count();
    device.min_period_ms = 20;
    device.resend_shift = 2;
    device.frame = frame;
    device.frame_size = sizeof frame;
    device.ring = ring;
    device.ring_size = sizeof ring;
    device.write = send_some;
    device.read = read_channel;
    device.set_output = set_output;
    if (rl_start_up(&device, board_ms()) != RL_OK)
        for (;;) /* the watchdog tries again; a device that cannot speak must not hold a relay */
            board_idle();
    for (;;) {
        uint32_t now_ms = board_ms();
        board_kick();
        look_after(now_ms);
        rl_poll(&device, now_ms);
        while ((byte = board_getc()) >= 0)
            rl_input(&device, (uint8_t)byte);
        board_idle();
    }
}
