/* The example device of SPEC.md with the whole library and next to nothing else, to measure the library by. */
#include "rimelog.h"

#ifdef CODEC_ALONE /* a frame received, answered by one of each kind of item */
int main(void)
{
    static uint8_t block[RL_REQUEST_BLOCK], frame[64];
    static rl_receiver r;
    rl_writer w;
    volatile uint8_t *port = (volatile uint8_t *)0xC6;
    int16_t n;
    uint8_t i;
    rl_receiver_init(&r, block, sizeof block);
    for (;;) {
        n = rl_receive(&r, *port);
        if (n <= 0 || rl_check_request(block + 1, (uint8_t)n) != RL_OK)
            continue;
        rl_frame_begin(&w, frame, sizeof frame);
        rl_put(&w, RL_STATUS);
        rl_cbor_head(&w, 5, rl_u16(block + 3));
        rl_cbor_int(&w, (int32_t)rl_u32(block + 3));
        rl_cbor_bytes(&w, 2, block, 8);
        rl_cbor_number(&w, 0.1 * *port);
        rl_put_number(&w, (uint32_t)rl_fit(RL_I16, *port), RL_I16);
        n = rl_frame_end(&w);
        for (i = 0; i < n; i++)
            *port = frame[i];
    }
}
#else
static const rl_firmware firmware RL_FLASH = {"example", "1.0.0", "Breadboard"};
static const rl_channel channels[] RL_FLASH = {
    {RL_GAUGE_PRESSURE, "[psi]", RL_I16, -4, 100, RL_RATIOMETRIC, 4, {0.1, 0, 0.9, 500}, {-15, 500}, 2.5, 0, "High side", 0},
    {RL_TEMPERATURE, "Cel", RL_I24, 0, 1000, RL_NTC_BETA, 3, {10000, 298.15, 3950, 0}, {-40, 125}, 0.5, 0, "Shell", 0},
    {RL_MASS, "kg", RL_I24, -3, 200, RL_DIRECT, 0, {0, 0, 0, 0}, {0, 150}, 0.02, 0.0005, "Scale", 0},
};
#ifndef RL_NO_OUTPUTS
static const rl_output outputs[] RL_FLASH = {{5000, 180000, 1, "Recovery machine"}};
static rl_output_state output_states[1];

static void set_output(rl_device *d, uint8_t output, bool closed)
{
    (void)d;
    *(volatile uint8_t *)0x25 = (uint8_t)(closed << output);
}
#endif
static rl_device device;
static rl_channel_state channel_states[3];
static uint8_t frame[84], ring[512];

static uint8_t send_some(rl_device *d, const uint8_t *bytes, uint8_t n)
{
    (void)d;
    *(volatile uint8_t *)0xC6 = *bytes;
    return n;
}

static int32_t measure(rl_device *d, uint8_t channel)
{
    (void)d;
    return *(volatile uint8_t *)0x78 + channel;
}

int main(void)
{
    uint32_t now_ms;
    device.firmware = &firmware;
    device.channels = channels;
    device.channel_states = channel_states;
    device.channel_count = 3;
#ifndef RL_NO_OUTPUTS
    device.outputs = outputs;
    device.output_states = output_states;
    device.output_count = 1;
    device.set_output = set_output;
#endif
    device.frame = frame;
    device.frame_size = sizeof frame;
    device.ring = ring;
    device.ring_size = sizeof ring;
    device.device_id_bytes = 8;
    device.write = send_some;
    device.read = measure;
    rl_start_up(&device, 0);
    for (now_ms = 0;; now_ms++) {
        rl_input(&device, *(volatile uint8_t *)0xC6);
        rl_poll(&device, now_ms);
    }
}
#endif
