/* The invariants of SECURITY.md under hostile input. libFuzzer calls LLVMFuzzerTestOneInput; with -DREPLAY a main runs it
 * on the files named and prints a CRC of all that each device said. The input's first bytes choose a device, the rest are what happens to it. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "rimelog.h"

#define REQUIRE(what) ((what) ? (void)0 : fail(#what, __LINE__))

typedef struct {
    rl_device d; /* first: the callbacks are given a pointer to it */
    uint8_t channels, outputs;
    rl_channel channel[RL_MAX_CHANNELS];
    rl_channel_state channel_state[RL_MAX_CHANNELS];
    rl_output output[RL_MAX_OUTPUTS];
    rl_output_state output_state[RL_MAX_OUTPUTS];
    uint8_t *frame, *ring;
    int32_t raw;
    uint32_t now_ms;
    size_t room;             /* bytes that the line still takes */
    bool cut;                /* the link came up anew: the frame on the line may have been cut */
    rl_receiver out, in;     /* what the device says, and what it was told */
    uint8_t out_block[241], in_block[RL_REQUEST_BLOCK];
    bool closed[RL_MAX_OUTPUTS];
    uint32_t elapsed_ms, until_ms[RL_MAX_OUTPUTS]; /* since the start; the end of the longest permit so far */
    unsigned requests, replies;
} bench;

static void fail(const char *what, int line)
{
    fprintf(stderr, "fuzz.c:%d: broken: %s\n", line, what);
    abort();
}

static uint32_t said_crc; /* of all that the last device said */
static unsigned said_bytes;

static uint8_t take_bytes(rl_device *d, const uint8_t *bytes, uint8_t n)
{
    bench *b = (bench *)d;
    uint8_t i;
    REQUIRE(n > 0);
    if (n > b->room)
        n = (uint8_t)b->room;
    b->room -= n;
    for (i = 0; i < n; i++) {
        int16_t said = rl_receive(&b->out, bytes[i]);
        said_crc = rl_crc32(said_crc, bytes + i, 1);
        said_bytes++;
        REQUIRE(said >= 0 || b->cut); /* nothing but whole frames */
        if (said != 0)
            b->cut = false;
        if (said <= 0)
            continue;
        REQUIRE(b->out_block[1] & 0x80);
        REQUIRE(said >= 2);
        if (b->out_block[1] != RL_SAMPLES && b->out_block[2] != 0)
            REQUIRE(++b->replies <= b->requests); /* one reply to a request at most */
    }
    return n;
}

static int32_t read_channel(rl_device *d, uint8_t channel)
{
    bench *b = (bench *)d;
    REQUIRE(channel < b->channels);
    return (int32_t)((uint32_t)b->raw + channel);
}

static void set_output(rl_device *d, uint8_t output, bool closed)
{
    bench *b = (bench *)d;
    REQUIRE(output < b->outputs);
    b->closed[output] = closed;
}

static void tell(bench *b, uint8_t byte)
{
    int16_t told = rl_receive(&b->in, byte);
    const uint8_t *p = b->in_block + 1;
    if (told > 0) {
        b->requests += !(p[0] & 0x80);
        if (rl_check_request(p, (uint8_t)told) == RL_OK && p[0] == RL_PERMIT && p[3] == 1 && p[2] < b->outputs
            && rl_u16(p + 4) <= b->output[p[2]].longest_timeout_ms
            && b->elapsed_ms + rl_u16(p + 4) > b->until_ms[p[2]])
            b->until_ms[p[2]] = b->elapsed_ms + rl_u16(p + 4);
    }
    rl_input(&b->d, byte);
}

static void look(const bench *b)
{
    uint8_t i;
    for (i = 0; i < b->outputs; i++) {
        REQUIRE(b->closed[i] == (b->output_state[i].closed != 0));
        if (!b->closed[i])
            continue;
        REQUIRE(b->d.streaming);
        REQUIRE(b->elapsed_ms < b->until_ms[i]);
    }
    REQUIRE(b->d.unsent <= b->d.held && b->d.held <= b->d.slots && b->d.slot < b->d.slots);
    REQUIRE(b->d.resend_left == 0 || b->d.resend_back <= b->d.held);
}

static uint8_t next(const uint8_t **data, size_t *size)
{
    if (*size == 0)
        return 0;
    (*size)--;
    return *(*data)++;
}

static void send(bench *b, const uint8_t *payload, uint8_t n)
{
    uint8_t frame[RL_MAX_FRAME], i;
    rl_writer w;
    rl_frame_begin(&w, frame, sizeof frame);
    for (i = 0; i < n; i++)
        rl_put(&w, payload[i]);
    n = rl_frame_end(&w);
    for (i = 0; i < n; i++)
        tell(b, frame[i]);
}

/* Any bytes in a good frame. */
static void any_request(bench *b, const uint8_t **data, size_t *size)
{
    uint8_t payload[33], n = (uint8_t)(1 + next(data, size) % 32), i;
    for (i = 0; i < n; i++)
        payload[i] = next(data, size);
    payload[0] %= 12;
    send(b, payload, n);
}

static void put32(uint8_t *at, uint32_t number)
{
    uint8_t i;
    for (i = 0; i < 4; i++, number >>= 8)
        at[i] = (uint8_t)number;
}

/* Requests that a host makes: chance alone would hardly ever hold an output closed. */
static void likely_request(bench *b, uint8_t kind, const uint8_t **data, size_t *size)
{
    uint8_t payload[27] = {0, 1};
    switch (kind % 5) {
    case 0:
        payload[0] = RL_START;
        break;
    case 1:
        payload[0] = kind < 128 ? RL_STOP : RL_ASK_STATUS;
        break;
    case 2:
        payload[0] = RL_RESEND_FROM;
        put32(payload + 2, b->d.made - next(data, size));
        payload[6] = next(data, size);
        break;
    case 3:
        payload[0] = RL_SET_PERIOD;
        payload[2] = next(data, size) % 24;
        payload[3] = next(data, size);
        break;
    default:
        payload[0] = RL_PERMIT;
        payload[2] = next(data, size) % 4;
        payload[3] = kind < 240;
        payload[5] = next(data, size) % 24; /* the time-out, in quarters of a second */
        put32(payload + 6, b->d.boot_count);
        put32(payload + 10, b->now_ms - next(data, size));
        put32(payload + 14, b->d.layout_id);
        payload[18] = kind & 0x10 ? RL_NO_GUARD : next(data, size) % 24;
        payload[19] = next(data, size);
        payload[23] = next(data, size);
        payload[24] = next(data, size) & 1;
        break;
    }
    send(b, payload, sizeof payload);
}

static void set_up(bench *b, const uint8_t **data, size_t *size)
{
    static const rl_firmware firmware = {"fuzzed", "1", "bench"};
    uint8_t i, kind = next(data, size);
    uint16_t ring_size;
    b->channels = next(data, size) % 20;
    b->outputs = kind % 3;
    for (i = 0; i < b->channels; i++) {
        b->channel[i].quantity = RL_MASS;
        memcpy(b->channel[i].unit, "kg", 3);
        b->channel[i].type = (uint8_t)(RL_I16 + (i + kind) % 3);
        b->channel[i].period_ms = 1u + 40u * (i % 4u) * (kind & 7u);
        b->channel[i].parameters = i % 5;
        b->channel[i].range[1] = i;
    }
    for (i = 0; i < b->outputs; i++) {
        b->output[i].longest_timeout_ms = 5000;
        b->output[i].reopen_delay_ms = 100u * i;
    }
    ring_size = (uint16_t)(23 + 4 * 20 + next(data, size));
    b->d.frame_size = kind & 0x40 ? RL_FRAME_BYTES : 120;
    b->d.ring_size = ring_size;
    b->frame = malloc(b->d.frame_size); /* blocks of their own: a byte beyond is seen */
    b->ring = malloc(ring_size);
    b->d.frame = b->frame;
    b->d.ring = b->ring;
    b->d.firmware = &firmware;
    b->d.channels = b->channel;
    b->d.outputs = b->output;
    b->d.channel_states = b->channel_state;
    b->d.output_states = b->output_state;
    b->d.channel_count = b->channels;
    b->d.output_count = b->outputs;
    b->d.device_id_bytes = 8;
    b->d.boot_count = 7;
    b->d.min_period_ms = 10;
    b->d.resend_shift = kind & 0x20 ? 2 : 8;
    b->d.write = take_bytes;
    b->d.read = read_channel;
    b->d.set_output = set_output;
    b->now_ms = kind & 0x80 ? 0xFFFFF000u : 0;
    b->room = 1000;
    rl_receiver_init(&b->out, b->out_block, sizeof b->out_block);
    rl_receiver_init(&b->in, b->in_block, sizeof b->in_block);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    bench *b = calloc(1, sizeof *b);
    said_crc = 0xFFFFFFFFu;
    said_bytes = 0;
    set_up(b, &data, &size);
    if (rl_start_up(&b->d, b->now_ms) == RL_OK)
        while (size > 0) {
            uint8_t act = next(&data, &size), n = next(&data, &size);
            switch (act % 8) {
            case 0:
            case 1:
                n = (uint8_t)(n >> 1);
                b->now_ms += act % 8 == 0 ? n : 400u * n;
                b->elapsed_ms += act % 8 == 0 ? n : 400u * n;
                break;
            case 2:
                for (; n > 0 && size > 0; n--)
                    tell(b, next(&data, &size));
                break;
            case 3:
                b->room = n < 200 ? n : 5000;
                break;
            case 4:
                b->raw = n < 128 ? n - 64 : INT32_MIN + (n & 31);
                break;
            case 5:
                if (n == 0) {
                    rl_link_up(&b->d);
                    rl_receiver_init(&b->in, b->in_block, sizeof b->in_block);
                    b->cut = true;
                } else if (n < 4) {
                    rl_trip(&b->d, n);
                }
                break;
            case 6:
                any_request(b, &data, &size);
                break;
            default:
                likely_request(b, n, &data, &size);
                break;
            }
            rl_poll(&b->d, b->now_ms);
            look(b);
        }
    free(b->frame);
    free(b->ring);
    free(b);
    return 0;
}

#ifdef REPLAY
int main(int count, char **names)
{
    int i;
    for (i = 1; i < count; i++) {
        static uint8_t data[1 << 16];
        FILE *file = fopen(names[i], "rb");
        if (file == NULL)
            return 2;
        LLVMFuzzerTestOneInput(data, fread(data, 1, sizeof data, file));
        fclose(file);
        printf("%u bytes, %08lx\n", said_bytes, (unsigned long)said_crc);
    }
    return 0;
}
#endif
