/* See rimelog.h. Sections in brackets are those of ../SPEC.md. */
/* With these on, -Os makes the code for an AVR 5 % larger. */
#if defined __AVR__ && defined __GNUC__
#pragma GCC optimize("no-move-loop-invariants", "no-tree-vrp", "no-tree-dominator-opts", "ira-algorithm=priority", \
                     "no-split-wide-types")
#endif
#include "rimelog.h"

#include <float.h>
#include <string.h>

#ifdef __AVR__
#define FLASH_BYTE(at) pgm_read_byte(at)
#define FLASH_U16(at) pgm_read_word(at)
#define FLASH_U32(at) pgm_read_dword(at)
#define FLASH_COPY(to, at, n) memcpy_P(to, at, n)
#else
#define FLASH_BYTE(at) (*(const uint8_t *)(at))
#define FLASH_U16(at) (*(at))
#define FLASH_U32(at) (*(at))
#define FLASH_COPY(to, at, n) memcpy(to, at, n)
#endif

/* Where inlining costs an AVR more than the call: a function too long keeps its pointers on the stack. */
#ifdef __GNUC__
#define APART __attribute__((noinline))
#else
#define APART
#endif

#if defined(__BYTE_ORDER__) && __BYTE_ORDER__ == __ORDER_BIG_ENDIAN__
#define BYTE_AT(n, width) ((width)-1 - (n)) /* where the byte worth 256^n lies in a number */
#else
#define BYTE_AT(n, width) (n)
#define LITTLE_ENDIAN_CHIP 1
#endif

#define STATUS_MS 2000u
#define MAX_PERIOD_MS 86400000u
#define MAX_ELAPSED_MS 60000u
#define SHORTEST_BLOCK 6u
#define MAX_TEXT 32u

enum { CBOR_UINT, CBOR_NEGATIVE, CBOR_BYTES, CBOR_TEXT, CBOR_ARRAY, CBOR_MAP, CBOR_SIMPLE = 7, SIMPLE_TRUE = 21 };
enum { CAN_RESEND = 1, CAN_SET_PERIOD = 2, HAS_OUTPUTS = 4 };

/* Offsets in the payloads of requests [6, 8]. */
enum { AT_INDEX = 2, AT_FIRST = 2, AT_COUNT = 6, AT_HOST_TIME = 2, AT_PERIOD = 3 };
enum { AT_ACTION = 3, AT_TIMEOUT = 4, AT_BOOT = 6, AT_TICK = 10, AT_LAYOUT = 14, AT_GUARD = 18, AT_LOW = 19,
       AT_HIGH = 23 };
enum { OPEN, HOLD_CLOSED };

/* ---- numbers ----------------------------------------------------------------------------------------------------- */

uint16_t rl_u16(const uint8_t *at)
{
    return (uint16_t)(at[0] | (uint16_t)at[1] << 8);
}

static inline uint32_t u32_at(const uint8_t *at)
{
    uint32_t number;
#if LITTLE_ENDIAN_CHIP
    memcpy(&number, at, sizeof number);
#else
    number = rl_u16(at) | (uint32_t)rl_u16(at + 2) << 16;
#endif
    return number;
}

uint32_t rl_u32(const uint8_t *at)
{
    return u32_at(at);
}

static APART void add(uint32_t *count, uint8_t more)
{
    *count += more;
}

static int32_t signed32(uint32_t bits)
{
    return bits <= INT32_MAX ? (int32_t)bits : (int32_t)(bits - 0x80000000u) + INT32_MIN;
}

/* Bit by bit: hardly slower on an AVR than by half bytes from a table in flash, and a third as long. */
APART uint32_t rl_crc32(uint32_t crc, const uint8_t *bytes, uint8_t n)
{
    for (; n > 0; n--) {
        uint8_t bits = 8;
        crc ^= *bytes++;
        do {
            bool odd = crc & 1u;
            crc >>= 1;
            if (odd)
                crc ^= 0xEDB88320u;
        } while (--bits > 0);
    }
    return crc;
}

int32_t rl_fit(uint8_t sample_type, int32_t raw)
{
    /* not -0x8000, which is above 0 where int has 16 bits */
    int32_t lowest = sample_type == RL_I16 ? -32768L : -8388608L;
    uint8_t reason = (uint8_t)raw;
    if (sample_type == RL_I32)
        return raw;
    if (raw >= INT32_MIN + 16) {
        reason = 2; /* under range */
        if (raw >= lowest + 16) {
            reason = 3; /* over range */
            if (raw <= ~lowest)
                return raw;
        }
    }
    return lowest | reason;
}

/* ---- frames [2] -------------------------------------------------------------------------------------------------- */

void rl_frame_begin(rl_writer *w, uint8_t *bytes, uint8_t room)
{
    if (room > RL_MAX_FRAME)
        room = RL_MAX_FRAME;
    w->bytes = bytes;
    w->n = 1;
    w->room = room < 7 ? 0 : (uint8_t)(room - 5); /* CRC and delimiter come after it */
}

void rl_put(rl_writer *w, uint8_t byte)
{
    if (w->n < w->room)
        w->bytes[w->n++] = byte;
    else
        w->room = 0;
}

void rl_put_number(rl_writer *w, uint32_t number, uint8_t width)
{
    for (; width > 0; width--, number >>= 8)
        rl_put(w, (uint8_t)number);
}

uint8_t rl_frame_end(rl_writer *w)
{
    uint8_t *bytes = w->bytes, n = w->n, *code;
    if (w->room == 0)
        return 0;
    w->room = (uint8_t)(n + 4);
    rl_put_number(w, ~rl_crc32(0xFFFFFFFFu, bytes + 1, (uint8_t)(n - 1)), 4);
    n = w->n;
    bytes[n] = 0;
    code = bytes;
    do
        if (*++bytes == 0) { /* a zero becomes a code byte: how far it is to the next one */
            *code = (uint8_t)(bytes - code);
            code = bytes;
        }
    while (--n > 0);
    return (uint8_t)(w->n + 1);
}

void rl_receiver_init(rl_receiver *r, uint8_t *block, uint8_t size)
{
    r->block = block;
    r->size = size;
    r->n = 0;
}

/* Unstuffs in place; the payload then begins at block + 1. */
static int16_t unstuff(uint8_t *block, uint8_t n)
{
    uint8_t *at = block, left = n;
    if (n < SHORTEST_BLOCK)
        return RL_E_SHORT;
    do {
        uint8_t code = *at;
        *at = 0;
        if (code > left)
            return RL_E_STUFFING;
        at += code;
        left = (uint8_t)(left - code);
    } while (left > 0);
    if (rl_crc32(0xFFFFFFFFu, block + 1, (uint8_t)(n - 1)) != 0xDEBB20E3u) /* what every good frame leaves: ~0x2144DF1C */
        return RL_E_CRC;
    return (int16_t)(n - 5);
}

int16_t rl_receive(rl_receiver *r, uint8_t byte)
{
    uint8_t n = r->n;
    if (byte == 0) {
        r->n = 0;
        return n == 0 || n > r->size ? 0 : unstuff(r->block, n);
    }
    if (n >= RL_MAX_FRAME)
        return 0;
    if (n < r->size)
        r->block[n] = byte;
    r->n = ++n;
    return n == RL_MAX_FRAME ? RL_E_LONG : 0;
}

/* ---- CBOR [5] ---------------------------------------------------------------------------------------------------- */

/* The head of an item, and the first `width` bytes of its argument. */
static APART void put_big_endian(rl_writer *w, uint8_t head, uint32_t argument, uint8_t width)
{
    for (;;) {
        rl_put(w, head);
        if (width-- == 0)
            return;
        head = (uint8_t)(argument >> 24);
        argument <<= 8;
    }
}

void rl_cbor_head(rl_writer *w, uint8_t major, uint32_t argument)
{
    uint8_t head = 26, width = 4;
    if (argument <= 0xFFFF) {
        argument <<= 16;
        head = 25;
        width = 2;
        if (argument < 0x1000000) {
            argument <<= 8;
            head = 24;
            width = 1;
            if (argument < (uint32_t)24 << 24) {
                head = (uint8_t)(argument >> 24);
                width = 0;
            }
        }
    }
    head |= (uint8_t)(major << 5);
    put_big_endian(w, head, argument, width);
}

void rl_cbor_int(rl_writer *w, int32_t number)
{
    if (number < 0)
        rl_cbor_head(w, CBOR_NEGATIVE, ~(uint32_t)number);
    else
        rl_cbor_head(w, CBOR_UINT, (uint32_t)number);
}

void rl_cbor_bytes(rl_writer *w, uint8_t major, const uint8_t *bytes, uint8_t n)
{
    rl_cbor_head(w, major, n);
    for (; n > 0; n--)
        rl_put(w, *bytes++);
}

#if DBL_MANT_DIG == 24 /* as on an AVR: any number as it is */
void rl_cbor_number(rl_writer *w, double number)
{
    uint32_t bits;
    memcpy(&bits, &number, sizeof bits);
    put_big_endian(w, 0xFA, bits, 4);
}
#else
/* By the bits of IEEE 754, in halves of 32: a chip without floating point and long shifts need not link them. */
void rl_cbor_number(rl_writer *w, double number)
{
    uint64_t bits;
    uint32_t high, low, top, whole, behind; /* top: the upper bits of the mantissa; behind: what is after the point */
    int exponent;
    memcpy(&bits, &number, sizeof bits);
    high = (uint32_t)(bits >> 32);
    low = (uint32_t)bits;
    exponent = (int)(high >> 20 & 0x7FFu) - 1023;
    top = (high & 0xFFFFFu) | 0x100000u;
    if ((high & 0x7FFFFFFFu) == 0 && low == 0) {
        rl_cbor_int(w, 0);
        return;
    }
    if (exponent >= 0 && exponent < 31) {
        if (exponent <= 20) {
            whole = top >> (20 - exponent);
            behind = low | (top & (((uint32_t)1 << (20 - exponent)) - 1u));
        } else {
            whole = top << (exponent - 20) | low >> (52 - exponent);
            behind = low << (exponent - 20);
        }
        if (behind == 0) {
            rl_cbor_int(w, high & 0x80000000u ? -(int32_t)whole : (int32_t)whole);
            return;
        }
    }
    if ((low & 0x1FFFFFFFu) == 0 && exponent > -127 && exponent < 128) { /* 32 bits hold it, and no less */
        high = (high & 0x80000000u) | (uint32_t)(exponent + 127) << 23 | (top & 0xFFFFFu) << 3 | low >> 29;
        put_big_endian(w, 0xFA, high, 4);
    } else {
        put_big_endian(w, 0xFB, high, 4);
        put_big_endian(w, (uint8_t)(low >> 24), low << 8, 3);
    }
}
#endif

/* ---- requests [6, 8] --------------------------------------------------------------------------------------------- */

int8_t rl_check_request(const uint8_t *p, uint8_t n)
{
    static const uint8_t lengths[] RL_FLASH = {4, 3, 3, 2, 2, 2, 8, 10, 7, 27};
    uint8_t type = p[0];
    if (type & 0x80u)
        return RL_E_NOT_MINE;
    if (n < 2 || p[1] == 0)
        return RL_E_MALFORMED;
    if (type < RL_ASK_HELLO || type > RL_PERMIT)
        return RL_E_UNKNOWN;
    if (n < FLASH_BYTE(&lengths[type - 1]))
        return RL_E_MALFORMED;
    if (type == RL_RESEND_FROM && rl_u16(p + AT_COUNT) == 0)
        return RL_E_MALFORMED;
    if (type == RL_SET_PERIOD && u32_at(p + AT_PERIOD) == 0)
        return RL_E_MALFORMED;
    if (type == RL_PERMIT && p[AT_ACTION] != OPEN
        && (p[AT_ACTION] != HOLD_CLOSED
            || (p[AT_GUARD] != RL_NO_GUARD && signed32(u32_at(p + AT_LOW)) > signed32(u32_at(p + AT_HIGH)))))
        return RL_E_MALFORMED;
    return RL_OK;
}

/* ---- what the device says, as tables [7, 8] ---------------------------------------------------------------------- */

/* One field of a message. In a map its key is its place in the message.
 * what: OPTIONAL where it is left out when 0, IN_FLASH where it lies in the channel, output or firmware and not in
 * rl_device; a CBOR major type or one of the below; and in the low two bits the bytes of the number there, LONG for 4. A
 * number of no bytes is 1; BACK is the sequence of the frame made so many before the next one. */
typedef struct {
    uint8_t what, at;
} row;
enum { LONG = 3, MAJOR = 2, IN_FLASH = 0x40, OPTIONAL = 0x80 };
enum { SIGNED = CBOR_NEGATIVE, OUTPUTS = 5, BACK = 6, NUMBER = 8, RANGE_LOW, RANGE_HIGH };
enum {
    ONE = CBOR_UINT << MAJOR,
    U8 = CBOR_UINT << MAJOR | 1,
    U16 = CBOR_UINT << MAJOR | 2,
    U32 = CBOR_UINT << MAJOR | LONG,
    I32 = SIGNED << MAJOR | LONG,
    COUNT = CBOR_UINT << MAJOR | sizeof(rl_count),
    SEQUENCE = BACK << MAJOR | sizeof(rl_count),
    DEVICE_ID = CBOR_BYTES << MAJOR | 1,
    TEXT = CBOR_TEXT << MAJOR | 1,
    NUMBERS = CBOR_ARRAY << MAJOR | 1,
    YES = CBOR_SIMPLE << MAJOR | 1,
    STATES = OUTPUTS << MAJOR | 1,
    REAL = NUMBER << MAJOR,
    LOW = RANGE_LOW << MAJOR,
    HIGH = RANGE_HIGH << MAJOR,
    NEVER = OPTIONAL /* a key without a field */
};

#define TELL(what, field) {what, offsetof(rl_device, field)}
#define CHANNEL(what, field) {(what) | IN_FLASH, offsetof(rl_channel, field)}
#define FIRMWARE(what, field) {(what) | IN_FLASH, offsetof(rl_firmware, field)}
#define CONTACT(what, field) {(what) | IN_FLASH, offsetof(rl_output, field)}

static const row rows[] RL_FLASH = {
    /* hello */
    {ONE, 0},
    {ONE, 0},
    TELL(DEVICE_ID, device_id),
    FIRMWARE(TEXT, name),
    FIRMWARE(TEXT, version),
    TELL(U32, boot_count),
    TELL(U16, tick_rate_hz),
    TELL(U8, channel_count),
    TELL(U32, layout_id),
    TELL(U8, capabilities),
    TELL(OPTIONAL | U8, output_count),
    TELL(COUNT, slots),
    FIRMWARE(OPTIONAL | TEXT, model),
    /* describe */
    TELL(U8, index),
    CHANNEL(U8, quantity),
    CHANNEL(TEXT, unit),
    CHANNEL(U8, type),
    CHANNEL(I32, exponent),
    CHANNEL(U32, period_ms),
    CHANNEL(OPTIONAL | I32, offset),
    CHANNEL(OPTIONAL | U8, sensor),
    CHANNEL(OPTIONAL | NUMBERS, parameters),
    CHANNEL(OPTIONAL | LOW, range),
    CHANNEL(OPTIONAL | HIGH, range),
    CHANNEL(OPTIONAL | REAL, accuracy),
    CHANNEL(OPTIONAL | REAL, accuracy_of_reading),
    CHANNEL(OPTIONAL | TEXT, label),
    /* output */
    TELL(U8, index),
    CONTACT(U16, longest_timeout_ms),
    CONTACT(OPTIONAL | U32, reopen_delay_ms),
    CONTACT(OPTIONAL | YES, reads_back),
    CONTACT(OPTIONAL | TEXT, label),
    /* status */
    TELL(U32, uptime_s),
    TELL(U32, boot_count),
    TELL(U8, streaming),
    TELL(U32, layout_id),
    TELL(SEQUENCE, held),
    TELL(SEQUENCE, unsent),
    TELL(U32, now_ms),
    TELL(OPTIONAL | U32, dropped),
    TELL(OPTIONAL | U32, bad_frames),
    TELL(OPTIONAL | U16, supply_mv),
    TELL(OPTIONAL | U8, battery_percent),
    TELL(OPTIONAL | U8, faults),
    TELL(OPTIONAL | STATES, output_count),
    /* error */
    TELL(U8, reply.code),
    {NEVER, 0},
    TELL(OPTIONAL | U8, reply.request),
    /* accepted, resending, time marked, and the head of samples: no maps, so without keys */
    TELL(U8, reply.request),
    TELL(U32, boot_count),
    TELL(U32, layout_id),
    TELL(SEQUENCE, unsent),
    TELL(U32, now_ms),
    TELL(U32, boot_count),
    TELL(SEQUENCE, resend_back),
    TELL(U16, resend_left),
    TELL(SEQUENCE, held),
    TELL(SEQUENCE, unsent),
    TELL(U32, boot_count),
    TELL(U32, host_time[0]),
    TELL(U32, host_time[1]),
    TELL(U32, received_ms),
    TELL(U32, now_ms),
    TELL(U32, layout_id),
    TELL(U32, made),
    TELL(U32, now_ms),
};
enum { SAMPLES_HEAD = RL_TIME_MARKED + 1 };
static const uint8_t first_rows[] RL_FLASH = {0, 13, 27, 32, 45, 48, 53, 58, 63, 66}; /* of RL_HELLO and so on */

static const uint8_t sizes[] RL_FLASH = {sizeof(rl_firmware), sizeof(rl_channel), sizeof(rl_output)};

/* Offsets fit a byte, or this does not compile. */
typedef char offsets_fit[offsetof(rl_device, told) < 256 && sizeof(rl_channel) < 256 ? 1 : -1];

static void write_outputs(rl_device *d)
{
    const rl_output_state *o = d->output_states;
    uint8_t i;
    for (i = d->output_count; i > 0; i--, o++) {
        rl_put(&d->writer, CBOR_ARRAY << 5 | 3);
        rl_put(&d->writer, o->closed);
        rl_put(&d->writer, o->opened_by);
        rl_cbor_head(&d->writer, CBOR_UINT, o->left_ms);
    }
}

/* at: where the field lies; value: the number there. */
static void write_field(rl_device *d, uint8_t major, const uint8_t *at, uint32_t value)
{
    uint8_t n = (uint8_t)value;
    double number;
    switch (major) {
    case SIGNED:
        rl_cbor_int(&d->writer, signed32(value));
        break;
    case CBOR_TEXT:
        for (n = 0; n < MAX_TEXT && at[n] != 0; n++)
            continue;
        rl_cbor_bytes(&d->writer, CBOR_TEXT, at, n);
        break;
    case CBOR_BYTES:
        rl_cbor_bytes(&d->writer, CBOR_BYTES, at, d->device_id_bytes);
        break;
    case CBOR_ARRAY:
        at += offsetof(rl_channel, parameter) - offsetof(rl_channel, parameters);
        n = n < RL_MAX_PARAMETERS ? n : RL_MAX_PARAMETERS;
        rl_put(&d->writer, CBOR_ARRAY << 5 | n);
        goto numbers;
    case RANGE_HIGH:
        at += sizeof number;
        /* fall through */
    default: /* RANGE_LOW, NUMBER */
        n = 1;
    numbers:
        for (; n > 0; n--, at += sizeof number) {
            memcpy(&number, at, sizeof number);
            rl_cbor_number(&d->writer, number);
        }
        break;
    case OUTPUTS:
        rl_put(&d->writer, CBOR_ARRAY << 5 | n);
        write_outputs(d);
        break;
    case CBOR_SIMPLE:
        rl_put(&d->writer, CBOR_SIMPLE << 5 | SIMPLE_TRUE);
        break;
    case CBOR_UINT:
        rl_cbor_head(&d->writer, CBOR_UINT, value);
        break;
    }
}

/* The body of a message, from RL_HELLO to SAMPLES_HEAD; of the channel or output reply.code. */
static void write_body(rl_device *d, uint8_t type)
{
    const uint8_t *of_type = first_rows + (type - RL_HELLO);
    uint8_t here = FLASH_BYTE(of_type), end = FLASH_BYTE(of_type + 1), key;
    rl_writer *w = &d->writer;
    uint8_t map = w->n, keys = 0;
    if (type <= RL_OUTPUT) {
        const uint8_t *from;
        uint8_t message = (uint8_t)(type - RL_HELLO), size = FLASH_BYTE(&sizes[message]);
        memcpy(&from, (const uint8_t *)d + offsetof(rl_device, firmware) + message * sizeof from, sizeof from);
        if (type != RL_HELLO)
            from += d->index * size;
        FLASH_COPY(&d->told, from, size);
        if (type == RL_DESCRIBE)
            memcpy(&d->told.channel.period_ms, &d->channel_states[d->index].period_ms, sizeof(uint32_t));
    }
    if (type < RL_ACCEPTED)
        rl_put(w, CBOR_MAP << 5);
    for (key = 0; here < end; here++, key++) {
        const row *r = rows + here;
        uint8_t what, major, width, any = 0, n;
        const uint8_t *at = (const uint8_t *)d;
        uint32_t value;
        what = FLASH_BYTE(&r->what);
        major = what >> MAJOR & 15u;
        width = what & LONG;
        value = width == 0;
        if (width == LONG)
            width = 4;
        if (what & IN_FLASH)
            at = (const uint8_t *)&d->told;
        at += FLASH_BYTE(&r->at);
        if (major >= NUMBER)
            width = major == NUMBER ? sizeof(double) : 2 * sizeof(double);
        for (n = width; n > 0; n--) {
            uint8_t byte = at[BYTE_AT(n - 1, width)];
            value = value << 8 | byte;
            any |= byte;
        }
        if (any == 0 && what & OPTIONAL)
            continue;
        if (major == BACK) {
            value = d->made - value;
            major = CBOR_UINT;
            width = 4;
        }
        if (type >= RL_ACCEPTED) {
            rl_put_number(w, value, width);
        } else {
            keys++;
            rl_put(w, key);
            write_field(d, major, at, value);
        }
    }
    if (type < RL_ACCEPTED && w->room != 0)
        w->bytes[map] |= keys;
}

/* ---- outputs [8] ------------------------------------------------------------------------------------------------- */

#ifndef RL_NO_OUTPUTS
/* Opens the outputs that `why` concerns. what: for a host or a fault the output, for a reading the channel it is of, for
 * an expiry the milliseconds gone by. */
static APART void open_outputs(rl_device *d, uint8_t why, uint16_t what)
{
    rl_output_state *o = d->output_states;
    uint8_t i;
    for (i = 0; i < d->output_count; i++, o++) {
        switch (why) {
        case RL_BY_EXPIRY:
            o->reopen_ms -= o->reopen_ms < what ? o->reopen_ms : what;
            if (o->left_ms > what) {
                o->left_ms = (uint16_t)(o->left_ms - what);
                continue;
            }
            break;
        case RL_BY_LIMIT:
            if (d->sample >= signed32(u32_at(o->guard + 1)) && d->sample <= signed32(u32_at(o->guard + 5)))
                continue;
            /* fall through */
        case RL_BY_NO_READING:
            if (o->guard[0] != what)
                continue;
            break;
        case RL_BY_LAYOUT:
            if (o->guard[0] == RL_NO_GUARD)
                continue;
            break;
        case RL_BY_HOST:
        case RL_BY_FAULT:
            if (i != what)
                continue;
            break;
        default:
            break;
        }
        if (o->closed || why == RL_BY_START_UP) {
            o->closed = 0;
            o->left_ms = 0;
            o->reopen_ms = FLASH_U32(&d->outputs[i].reopen_delay_ms);
            if (why > RL_BY_HOST)
                d->status_due = 1;
        } else if (why > RL_BY_HOST) {
            continue;
        }
        o->opened_by = why;
        d->set_output(d, i, false);
    }
}

/* Carries "hold closed" out. Returns 0, or the code of the error by which it is refused, in the order of section 8. */
static uint8_t hold_closed(rl_device *d, const uint8_t *p)
{
    uint8_t index = p[AT_INDEX], guard = p[AT_GUARD];
    rl_output_state *o = &d->output_states[index];
    uint16_t timeout_ms = rl_u16(p + AT_TIMEOUT);
    if (!d->streaming)
        return RL_NOT_STREAMING;
    if (u32_at(p + AT_BOOT) != d->boot_count)
        return RL_STALE_PERMIT;
    if ((uint16_t)(timeout_ms - 1) >= FLASH_U16(&d->outputs[index].longest_timeout_ms)) /* 0 is none either */
        return RL_OUT_OF_RANGE;
    if (d->now_ms - u32_at(p + AT_TICK) > timeout_ms)
        return RL_STALE_PERMIT;
    if (guard != RL_NO_GUARD) {
        if (guard >= d->channel_count)
            return RL_NO_SUCH_CHANNEL;
        if (u32_at(p + AT_LAYOUT) != d->layout_id)
            return RL_OUT_OF_RANGE;
    }
    if (!o->closed) {
        if (o->opened_by > RL_BY_HOST)
            return RL_MUST_REARM;
        if (o->reopen_ms != 0)
            return RL_BUSY;
        o->closed = 1;
        d->set_output(d, index, true);
    }
    o->left_ms = timeout_ms;
    memcpy(o->guard, p + AT_GUARD, sizeof o->guard);
    return 0;
}

void rl_trip(rl_device *d, uint8_t output)
{
    open_outputs(d, RL_BY_FAULT, output);
}
#else
#define open_outputs(d, why, what) ((void)(what))

void rl_trip(rl_device *d, uint8_t output)
{
    (void)d;
    (void)output;
}
#endif

/* ---- samples and their ring [3.5, 7.3] --------------------------------------------------------------------------- */

/* The frame made `back` frames before the next one. It ends with its delimiter. */
static uint8_t *slot_of(const rl_device *d, rl_count back)
{
    rl_count slot = (rl_count)(d->slot - back);
    if (d->slot < back)
        slot = (rl_count)(slot + d->slots);
    return d->ring + (uint16_t)slot * d->slot_size;
}

static APART bool is_due(const rl_device *d, const rl_channel_state *s)
{
    return (uint8_t)((d->now_ms - s->due_ms) >> 24) < 0x80;
}

static void put_sample(rl_device *d, uint8_t channel)
{
    uint8_t type = FLASH_BYTE(&d->channels[channel].type);
    int32_t raw = d->read(d, channel);
    d->sample = rl_fit(type, raw);
    open_outputs(d, d->sample == raw && raw >= INT32_MIN + 16 ? RL_BY_LIMIT : RL_BY_NO_READING, channel);
    rl_put_number(&d->writer, (uint32_t)d->sample, type);
}

/* Makes a frame of the channels that are due, in place of the oldest. */
static void make_samples(rl_device *d)
{
    rl_channel_state *s = d->channel_states;
    uint8_t mask = 0, i, *bits;
    rl_frame_begin(&d->writer, slot_of(d, 0), d->slot_size);
    rl_put(&d->writer, RL_SAMPLES);
    write_body(d, SAMPLES_HEAD);
    bits = d->writer.bytes + d->writer.n - 1;
    for (i = 0; i < d->channel_count; i = (uint8_t)(i + 8))
        rl_put(&d->writer, 0); /* bits of the bitmap, set below */
    for (i = 0; i < d->channel_count; i++, s++) {
        mask = (uint8_t)(mask << 1);
        if (mask == 0) {
            mask = 1;
            bits++;
        }
        if (is_due(d, s)) {
            *bits |= mask;
            put_sample(d, i);
            do /* more than once when late by whole periods */
                s->due_ms += s->period_ms;
            while (is_due(d, s));
        }
    }
    rl_frame_end(&d->writer);
    add(&d->made, 1);
    d->slot++;
    if (d->slot == d->slots)
        d->slot = 0;
    if (d->unsent < d->slots)
        d->unsent++;
    else
        add(&d->dropped, 1); /* the oldest, overwritten now, had not been sent */
    if (d->held < d->slots)
        d->held++;
    if (d->resend_back < d->slots)
        d->resend_back++;
    else if (d->resend_left != 0)
        d->resend_left--; /* overwritten before its turn */
}

/* Finds what is still held of `count` frames from `first` on, and begins to send it again. */
static void begin_resend(rl_device *d, uint32_t first, uint16_t count)
{
    uint32_t far = d->made - first;
    uint16_t back = (uint16_t)far; /* farther back than any ring holds, with no count that reaches into it: none */
    rl_count held = d->held, sent;
    if (far > 0xFFFFu)
        back = count = 0;
    if (back > held) { /* before the oldest */
        back = (uint16_t)(back - held);
        count = back < count ? (uint16_t)(count - back) : 0;
        back = held;
    }
    sent = (rl_count)back;
    d->resend_back = sent;
    sent = sent > d->unsent ? (rl_count)(sent - d->unsent) : 0;
    d->resend_left = count < sent ? count : sent;
}

/* ---- sending ----------------------------------------------------------------------------------------------------- */

/* d->frame[1 .. n] is to be sent, led by a delimiter: it ends whatever went before, a cut frame or noise [2]. */
static APART void hand_over(rl_device *d, uint8_t n)
{
    d->frame[0] = 0;
    d->out = d->frame;
    d->left = n > 0 ? (uint8_t)(n + 1) : 0;
}

static void message_begin(rl_device *d, uint8_t type, uint8_t request_id)
{
    rl_frame_begin(&d->writer, d->frame + 1, (uint8_t)(d->frame_size - 1));
    rl_put(&d->writer, type);
    rl_put(&d->writer, request_id);
    write_body(d, type);
}

static void send_samples(rl_device *d, rl_count back)
{
    const uint8_t *frame = slot_of(d, back);
    uint8_t n = 0, byte;
    do {
        byte = *frame++;
        d->frame[++n] = byte;
    } while (byte != 0);
    hand_over(d, n);
}

/* Makes the layout id, in d->frame. */
static void lay_out(rl_device *d)
{
    uint32_t crc = 0xFFFFFFFFu;
    for (d->index = 0; d->index < d->channel_count; d->index++) {
        message_begin(d, RL_DESCRIBE, 0);
        crc = rl_crc32(crc, d->writer.bytes + 3, (uint8_t)(d->writer.n - 3)); /* without type and request id */
    }
    d->layout_id = ~crc;
}

/* After a period was set, as soon as d->frame is free to write descriptions in. */
static APART void change_layout(rl_device *d)
{
    if (d->layout_due && d->left == 0) {
        d->layout_due = 0;
        d->hello_due = 1;
        lay_out(d);
        open_outputs(d, RL_BY_LAYOUT, 0);
    }
}

/* Puts the next frame into d->frame: replies first, then what the device says of its own accord, live samples, and
 * resent ones last. False: nothing is to be sent. */
static bool next_frame(rl_device *d)
{
    uint8_t type = d->reply.type, id = d->reply.id;
    change_layout(d);
    d->reply.type = 0;
    d->index = d->reply.code;
    if (type == 0) {
        id = d->open_reply;
        d->open_reply = 0;
        if (id != 0) {
            d->reply.request = RL_PERMIT;
            type = RL_ACCEPTED;
        } else if (d->hello_due) {
            d->hello_due = 0;
            type = RL_HELLO;
        } else if (d->status_due) {
            d->status_due = 0;
            type = RL_STATUS;
        } else if (d->unsent != 0) {
            send_samples(d, d->unsent--);
            return true;
        } else if (d->resend_left != 0 && d->resend_wait_ms == 0) {
            d->resend_left--;
            send_samples(d, d->resend_back--);
            d->resend_wait_ms = (uint8_t)(d->left >> d->resend_shift);
            return true;
        } else {
            return false;
        }
    }
    message_begin(d, type, id);
    hand_over(d, rl_frame_end(&d->writer));
    return true;
}

static void send(rl_device *d)
{
    do {
        if (d->left > 0) {
            uint8_t taken = d->write(d, d->out, d->left);
            d->out += taken;
            d->left = (uint8_t)(d->left - taken);
        }
    } while (d->left == 0 && next_frame(d));
}

/* ---- requests ---------------------------------------------------------------------------------------------------- */

static uint8_t set_period(rl_device *d, uint8_t index, uint32_t period_ms)
{
    rl_channel_state *s = d->channel_states;
    uint8_t i;
    if (index != RL_ALL_CHANNELS && index >= d->channel_count)
        return RL_NO_SUCH_CHANNEL;
    if (period_ms < d->min_period_ms)
        period_ms = d->min_period_ms;
    if (period_ms > MAX_PERIOD_MS)
        period_ms = MAX_PERIOD_MS;
    for (i = 0; i < d->channel_count; i++, s++)
        if ((index == RL_ALL_CHANNELS || index == i) && s->period_ms != period_ms) {
            s->period_ms = period_ms;
            s->due_ms = d->now_ms;
            d->layout_due = 1;
        }
    return 0;
}

/* Does what a good request asks. Returns 0 or the code of an error. */
static uint8_t carry_out(rl_device *d, const uint8_t *p)
{
    uint8_t index = p[AT_INDEX];
    switch (p[0]) {
    case RL_ASK_DESCRIBE:
        return index < d->channel_count ? 0 : RL_NO_SUCH_CHANNEL;
    case RL_ASK_OUTPUT:
    case RL_PERMIT:
        if (index >= d->output_count)
            return d->output_count == 0 ? RL_NOT_SUPPORTED : RL_NO_SUCH_CHANNEL;
#ifndef RL_NO_OUTPUTS
        if (p[0] == RL_PERMIT)
            return hold_closed(d, p);
#endif
        return 0;
    case RL_START:
        d->streaming = 1;
        return 0;
    case RL_STOP:
        d->streaming = 0;
        open_outputs(d, RL_BY_STOP, 0);
        return 0;
    case RL_RESEND_FROM:
        begin_resend(d, u32_at(p + AT_FIRST), rl_u16(p + AT_COUNT));
        return 0;
    case RL_TIME_MARK:
        for (index = 0; index < 8; index++)
            ((uint8_t *)d->host_time)[(index & 4u) | BYTE_AT(index & 3u, 4u)] = p[AT_HOST_TIME + index];
        d->received_ms = d->now_ms;
        return 0;
    case RL_SET_PERIOD:
        return set_period(d, index, u32_at(p + AT_PERIOD));
    default: /* hello and status */
        return 0;
    }
}

/* Notes the reply to a request. A newer request takes the place of one that still waits; an "open" does not [3.1]. */
static void answer(rl_device *d, const uint8_t *p, uint8_t n)
{
    int8_t checked = rl_check_request(p, n);
    uint8_t type, error = (uint8_t)-checked; /* the codes of these two errors are those of the message */
    if (checked == RL_E_NOT_MINE)
        return;
    if (checked == RL_OK) {
#ifndef RL_NO_OUTPUTS
        if (p[0] == RL_PERMIT && p[AT_ACTION] == OPEN && p[AT_INDEX] < d->output_count) {
            open_outputs(d, RL_BY_HOST, p[AT_INDEX]);
            d->open_reply = p[1];
            return;
        }
#endif
        error = carry_out(d, p);
    }
    d->reply.request = p[0];
    d->reply.id = n > 1 ? p[1] : 0;
    type = RL_ERROR;
    if (error == 0) {
        error = p[AT_INDEX];
        type = p[0] | 0x80u;
        if (type == RL_ERROR || type > RL_TIME_MARKED) /* the type of no reply: start, set period, permit */
            type = RL_ACCEPTED;                        /* that of stop is this already */
    }
    d->reply.code = error;
    d->reply.type = type;
}

void rl_input(rl_device *d, uint8_t byte)
{
    int16_t n = rl_receive(&d->receiver, byte);
    if (n < 0)
        add(&d->bad_frames, 1);
    if (n > 0)
        answer(d, d->receiver.block + 1, (uint8_t)n);
}

/* ---- time -------------------------------------------------------------------------------------------------------- */

void rl_poll(rl_device *d, uint32_t now_ms)
{
    uint32_t gone_ms = now_ms - d->now_ms;
    uint16_t elapsed_ms = gone_ms < MAX_ELAPSED_MS ? (uint16_t)gone_ms : MAX_ELAPSED_MS;
    rl_channel_state *s = d->channel_states;
    uint8_t i;
    d->now_ms = now_ms;
    d->status_ms = (uint16_t)(d->status_ms + elapsed_ms);
    for (; d->status_ms >= STATUS_MS; d->status_ms = (uint16_t)(d->status_ms - STATUS_MS)) {
        add(&d->uptime_s, STATUS_MS / 1000u);
        d->status_due = 1;
    }
    d->resend_wait_ms = d->resend_wait_ms > elapsed_ms ? (uint8_t)(d->resend_wait_ms - elapsed_ms) : 0;
    open_outputs(d, RL_BY_EXPIRY, elapsed_ms);
    change_layout(d);
    for (i = d->channel_count; i > 0; i--, s++) {
        if (!d->streaming) {
            s->due_ms = now_ms; /* at once after start */
        } else if (is_due(d, s)) {
            make_samples(d);
            break;
        }
    }
    send(d);
}

void rl_link_up(rl_device *d)
{
    d->left = 0;
    d->receiver.n = 0;
    d->reply.type = d->open_reply = 0;
}

int8_t rl_start_up(rl_device *d, uint32_t now_ms)
{
    const rl_channel *c = d->channels;
    rl_channel_state *s = d->channel_states;
    uint16_t left = d->ring_size, slot = (uint8_t)(d->channel_count + 159) >> 3; /* the bitmap, and 19 bytes around */
    uint8_t i;
    d->now_ms = now_ms;
    d->tick_rate_hz = 1000;
    d->capabilities = d->output_count != 0 ? CAN_RESEND | CAN_SET_PERIOD | HAS_OUTPUTS : CAN_RESEND | CAN_SET_PERIOD;
    d->hello_due = 1;
    rl_receiver_init(&d->receiver, d->block, sizeof d->block);
    open_outputs(d, RL_BY_START_UP, 0);
    for (i = d->channel_count; i > 0; i--, c++, s++) {
        s->period_ms = FLASH_U32(&c->period_ms);
        slot = (uint16_t)(slot + FLASH_BYTE(&c->type));
    }
    for (; left >= slot && d->slots < (rl_count)-1; left = (uint16_t)(left - slot))
        d->slots++;
    d->slot_size = (uint8_t)slot;
    lay_out(d);
    return d->slots > 0 && slot < d->frame_size && slot <= RL_MAX_FRAME ? RL_OK : RL_E_SPACE;
}

/* ---- for use while a firmware is written ------------------------------------------------------------------------- */

/* A text in flash that ends within its array. */
static bool text_is_right(const char *text, uint8_t size)
{
    while (size > 0 && FLASH_BYTE(text) != 0) {
        text++;
        size--;
    }
    return size > 0;
}

#define IS_RIGHT(text) text_is_right(text, sizeof(text))

int16_t rl_check_settings(rl_device *d)
{
    uint8_t longest = (uint8_t)(71 + 6 * d->output_count), n, i; /* of a status with the largest numbers */
    bool right = d->device_id_bytes >= 8 && d->device_id_bytes <= 16 && d->channel_count <= RL_MAX_CHANNELS
                 && d->output_count <= RL_MAX_OUTPUTS && IS_RIGHT(d->firmware->name) && IS_RIGHT(d->firmware->version)
                 && IS_RIGHT(d->firmware->model);
    for (i = 0; i < d->channel_count && right; i++) {
        rl_channel c;
        FLASH_COPY(&c, &d->channels[i], sizeof c);
        right = c.type >= RL_I16 && c.type <= RL_I32 && c.exponent >= -18 && c.exponent <= 18 && c.unit[0] != 0
                && IS_RIGHT(d->channels[i].unit) && IS_RIGHT(d->channels[i].label)
                && c.period_ms > 0 && c.period_ms <= MAX_PERIOD_MS && c.parameters <= RL_MAX_PARAMETERS;
    }
    for (i = 0; i < d->output_count && right; i++) {
        rl_output o;
        FLASH_COPY(&o, &d->outputs[i], sizeof o);
        right = o.longest_timeout_ms >= 100 && o.longest_timeout_ms <= 60000 && IS_RIGHT(d->outputs[i].label);
    }
    for (d->index = 0; d->index <= d->channel_count && right; d->index++) {
        message_begin(d, d->index < d->channel_count ? RL_DESCRIBE : RL_HELLO, 0);
        n = rl_frame_end(&d->writer);
        right = n > 0;
        if (n > longest)
            longest = n;
    }
    if (d->slot_size > longest)
        longest = d->slot_size;
    return right ? (int16_t)(longest + 1) : RL_E_SETTING;
}
