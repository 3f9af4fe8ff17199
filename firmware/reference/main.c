/* Reference firmware: a transducer, a thermistor, a scale and a current loop, and one relay held by permit.
 *
 * The portable part: what the inputs mean. Everything else is the library's (../../firmware_protocol/c) or the chip's
 * (board.h). Demonstration: the sensors are examples, and no safety device replaces pressure switch, relief device or
 * licensed practice. */
#include "board.h"
#include "rimelog.h"

#include <string.h>

#ifndef MODEL
#define MODEL "Reference board"
#endif

#define CONVERTER_MS 500u  /* without a round of the converter it is broken */
#define SUPPLY_LOW_MV 4500u
#define FIXED_OHM 10000u   /* from the supply to the thermistor, which goes to ground */

enum { PRESSURE, TEMPERATURE, MASS, LOOP, CHANNELS };

static const rl_firmware firmware RL_FLASH = {"Reference firmware", "1.1.0", MODEL};

static const rl_channel channels[CHANNELS] RL_FLASH = {
    /* 0.5 to 4.5 V of a 5 V supply, sent as its share of the supply in 10^-5 */
    {RL_GAUGE_PRESSURE, "kPa", RL_I24, -5, 100, RL_RATIOMETRIC, 4, {0.1, 0, 0.9, 3500}, {0, 3500}, 17.5, 0, "Pressure", 0},
    /* 10 kOhm at 25 Cel, sent in Ohm */
    {RL_TEMPERATURE, "Cel", RL_I24, 0, 500, RL_NTC_BETA, 3, {10000, 298.15, 3950, 0}, {-40, 110}, 0.5, 0, "Temperature", 0},
    /* an amplified load cell: 0 V to the supply for 0 to 150 kg, sent in g */
    {RL_MASS, "kg", RL_I24, -3, 200, RL_DIRECT, 0, {0, 0, 0, 0}, {0, 150}, 0.1, 0, "Scale", 0},
    /* 4 to 20 mA through 200 Ohm, sent in 10^-7 A */
    {RL_RATIO, "%", RL_I24, -7, 1000, RL_CURRENT_LOOP, 4, {0.004, 0, 0.020, 100}, {0, 100}, 1, 0, "Valve position", 0},
};
static const rl_output outputs[1] RL_FLASH = {{10000, 3000, 0, "Relay"}};

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

/* The share of the supply, times 65536, as a raw number. All products fit 32 bits. */
static int32_t raw_of(uint8_t channel, uint32_t share)
{
    switch (channel) {
    case PRESSURE:
        if (share < 65536u / 40) /* a quarter of the live zero */
            return RL_OPEN_CIRCUIT;
        if (share > 65536u / 40 * 39)
            return RL_SHORT_CIRCUIT;
        return (int32_t)(share * 3125 >> 11); /* 100 000 / 65 536 */
    case TEMPERATURE:
        if (share > 65536u / 100 * 99)
            return RL_OPEN_CIRCUIT;
        if (share < 65536u / 100)
            return RL_SHORT_CIRCUIT;
        return (int32_t)(FIXED_OHM * share / (65536u - share));
    case MASS:
        if (share >= 65472u) /* all that the converter can say */
            return RL_OVER_RANGE;
        return (int32_t)(share * 9375 >> 12); /* 150 000 / 65 536 */
    default: {
        uint32_t raw = (share >> 4) * board_supply_mv() / 4096u * 50u; /* 1 mV over 200 Ohm is 5 uA */
        return raw < 10000u ? RL_OPEN_CIRCUIT : (int32_t)raw;
    }
    }
}

static int32_t read_channel(rl_device *d, uint8_t channel)
{
    uint16_t share = board_input(channel);
    (void)d;
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
