/* The C library for ctypes: whole devices made from Python, with a line of bounded width. Every buffer lies in its own
 * heap block, so that a sanitizer sees a byte too many. */
#include <stdlib.h>
#include <string.h>

#include "rimelog.h"

typedef struct {
    rl_device d; /* first: the callbacks are given a pointer to it */
    rl_channel *channels;
    rl_output *outputs;
    rl_firmware firmware;
    int32_t raw[RL_MAX_CHANNELS];
    bool closed[RL_MAX_OUTPUTS];
    uint8_t sent[65536];
    size_t sent_n, line_room, room; /* bytes the line still takes; and how many from each take() to the next */
} bench;

static uint8_t take_bytes(rl_device *d, const uint8_t *bytes, uint8_t n)
{
    bench *b = (bench *)d;
    if (n > b->line_room)
        n = (uint8_t)b->line_room;
    if (n > sizeof b->sent - b->sent_n)
        n = (uint8_t)(sizeof b->sent - b->sent_n);
    memcpy(b->sent + b->sent_n, bytes, n);
    b->sent_n += n;
    b->line_room -= n;
    return n;
}

static int32_t read_channel(rl_device *d, uint8_t channel)
{
    return ((bench *)d)->raw[channel];
}

static void set_output(rl_device *d, uint8_t output, bool closed)
{
    ((bench *)d)->closed[output] = closed;
}

bench *bench_new(uint8_t channels, uint8_t outputs, uint16_t ring_size, uint8_t frame_size)
{
    bench *b = calloc(1, sizeof *b);
    b->channels = calloc(channels, sizeof *b->channels);
    b->outputs = calloc(outputs, sizeof *b->outputs);
    b->d.firmware = &b->firmware;
    b->d.channels = b->channels;
    b->d.outputs = b->outputs;
    b->d.channel_states = calloc(channels, sizeof(rl_channel_state));
    b->d.output_states = calloc(outputs, sizeof(rl_output_state));
    b->d.frame = calloc(1, frame_size);
    b->d.ring = calloc(1, ring_size);
    b->d.frame_size = frame_size;
    b->d.ring_size = ring_size;
    b->d.channel_count = channels;
    b->d.output_count = outputs;
    b->d.write = take_bytes;
    b->d.read = read_channel;
    b->d.set_output = set_output;
    b->line_room = b->room = sizeof b->sent;
    return b;
}

void bench_free(bench *b)
{
    free(b->channels);
    free(b->outputs);
    free(b->d.channel_states);
    free(b->d.output_states);
    free(b->d.frame);
    free(b->d.ring);
    free(b);
}

void bench_firmware(bench *b, const char *name, const char *version, const char *model)
{
    memcpy(b->firmware.name, name, strlen(name));
    memcpy(b->firmware.version, version, strlen(version));
    memcpy(b->firmware.model, model, strlen(model));
}

void bench_identity(bench *b, const uint8_t *id, uint8_t n, uint32_t boot_count, uint16_t min_period_ms, uint8_t resend_shift)
{
    memcpy(b->d.device_id, id, n);
    b->d.device_id_bytes = n;
    b->d.boot_count = boot_count;
    b->d.min_period_ms = min_period_ms;
    b->d.resend_shift = resend_shift;
}

void bench_channel(bench *b, uint8_t i, uint8_t quantity, const char *unit, uint8_t type, int32_t exponent, uint32_t period_ms,
                   int32_t offset, uint8_t sensor, uint8_t parameters, const double *numbers, const char *label)
{
    rl_channel *c = &b->channels[i];
    c->quantity = quantity;
    memcpy(c->unit, unit, strlen(unit));
    c->type = type;
    c->exponent = exponent;
    c->period_ms = period_ms;
    c->offset = offset;
    c->sensor = sensor;
    c->parameters = parameters;
    memcpy(c->parameter, numbers, sizeof c->parameter);
    memcpy(c->range, numbers + RL_MAX_PARAMETERS, sizeof c->range);
    c->accuracy = numbers[RL_MAX_PARAMETERS + 2];
    c->accuracy_of_reading = numbers[RL_MAX_PARAMETERS + 3];
    memcpy(c->label, label, strlen(label));
}

void bench_output(bench *b, uint8_t i, uint16_t longest_timeout_ms, uint32_t reopen_delay_ms, uint8_t reads_back, const char *label)
{
    rl_output *o = &b->outputs[i];
    o->longest_timeout_ms = longest_timeout_ms;
    o->reopen_delay_ms = reopen_delay_ms;
    o->reads_back = reads_back;
    memcpy(o->label, label, strlen(label));
}

void bench_health(bench *b, uint8_t faults, uint16_t supply_mv, uint8_t battery_percent)
{
    b->d.faults = faults;
    b->d.supply_mv = supply_mv;
    b->d.battery_percent = battery_percent;
}

int bench_start_up(bench *b, uint32_t now_ms)
{
    return rl_start_up(&b->d, now_ms);
}

int bench_check_settings(bench *b)
{
    return rl_check_settings(&b->d);
}

void bench_poll(bench *b, uint32_t now_ms)
{
    rl_poll(&b->d, now_ms);
}

/* Polls at from, from + every ... before until, then at until. */
void bench_run(bench *b, uint32_t from, uint32_t until, uint32_t every)
{
    for (; until - from < 0x80000000u && until != from; from += until - from < every ? until - from : every)
        rl_poll(&b->d, from);
    rl_poll(&b->d, until);
}

void bench_input(bench *b, const uint8_t *bytes, size_t n)
{
    while (n-- > 0)
        rl_input(&b->d, *bytes++);
}

void bench_set_room(bench *b, size_t room)
{
    b->line_room = b->room = room;
}

/* Bytes sent since the last call. */
size_t bench_take(bench *b, uint8_t *out)
{
    size_t n = b->sent_n;
    memcpy(out, b->sent, n);
    b->sent_n = 0;
    b->line_room = b->room;
    return n;
}

void bench_set_raw(bench *b, uint8_t channel, int32_t raw)
{
    b->raw[channel] = raw;
}

int bench_closed(const bench *b, uint8_t output)
{
    return b->closed[output];
}

void bench_trip(bench *b, uint8_t output)
{
    rl_trip(&b->d, output);
}

void bench_link_up(bench *b)
{
    rl_link_up(&b->d);
}

/* Jumps a sequence ahead, to try where it runs over. */
void bench_set_made(bench *b, uint32_t made)
{
    b->d.made = made;
}

uint32_t bench_layout_id(const bench *b)
{
    return b->d.layout_id;
}

size_t bench_ram(void)
{
    return sizeof(rl_device);
}

/* A frame of a payload, through the writer. Returns its bytes, or 0. */
uint8_t bench_frame(const uint8_t *payload, size_t n, uint8_t *out, uint8_t room)
{
    rl_writer w;
    rl_frame_begin(&w, out, room);
    while (n-- > 0)
        rl_put(&w, *payload++);
    return rl_frame_end(&w);
}

/* Feeds bytes to a receiver whose block has `size` bytes. Writes each result but 0 to out, a payload after its length. */
size_t bench_receive(const uint8_t *bytes, size_t n, uint8_t size, int16_t *results, uint8_t *payloads)
{
    rl_receiver r;
    size_t found = 0;
    uint8_t *block = malloc(size);
    rl_receiver_init(&r, block, size);
    while (n-- > 0) {
        int16_t result = rl_receive(&r, *bytes++);
        if (result == 0)
            continue;
        results[found++] = result;
        if (result > 0) {
            memcpy(payloads, block + 1, (size_t)result);
            payloads += result;
        }
    }
    free(block);
    return found;
}

uint8_t bench_number(double number, uint8_t *out)
{
    rl_writer w;
    rl_frame_begin(&w, out, RL_MAX_FRAME);
    rl_cbor_number(&w, number);
    return rl_frame_end(&w);
}

uint8_t bench_int(int32_t number, uint8_t *out)
{
    rl_writer w;
    rl_frame_begin(&w, out, RL_MAX_FRAME);
    rl_cbor_int(&w, number);
    return rl_frame_end(&w);
}

uint8_t bench_head(uint8_t major, uint32_t argument, uint8_t *out)
{
    rl_writer w;
    rl_frame_begin(&w, out, RL_MAX_FRAME);
    rl_cbor_head(&w, major, argument);
    return rl_frame_end(&w);
}
