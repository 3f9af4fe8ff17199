/* The device's side of the measuring device protocol, version 1.1 (../SPEC.md). MIT licence.
 *
 * C99, for microcontrollers: no malloc, no recursion, no floating-point arithmetic, all buffers are the caller's. Two
 * layers in one source file; what a program does not call, the linker leaves out (-ffunction-sections, --gc-sections).
 *
 *   codec   rl_frame_..., rl_put, rl_cbor_..., rl_receive, rl_check_request, rl_fit: bytes in, bytes out
 *   device  rl_start_up, rl_input, rl_poll: the whole conversation; describes, samples, resends, holds outputs
 *
 * A device calls rl_poll often (each millisecond is right, each 20 ms is enough) and rl_input with every byte received,
 * both from the same thread, never from an interrupt. Ticks are milliseconds: the tick rate is 1000 Hz.
 *
 * -DRL_NO_OUTPUTS leaves outputs out. What may be relied on with hostile bytes: SECURITY.md.
 */
#ifndef RIMELOG_H
#define RIMELOG_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#ifdef __AVR__ /* constants stay in flash, and are read from there */
#include <avr/pgmspace.h>
#define RL_FLASH PROGMEM
#else
#define RL_FLASH
#endif

#ifdef __cplusplus
extern "C" {
#endif

#define RL_MAX_PAYLOAD 236u /* bytes */
#define RL_MAX_FRAME 242u   /* a whole frame on the wire */
#define RL_MAX_CHANNELS 64u
#define RL_MAX_OUTPUTS 8u
#define RL_MAX_PARAMETERS 4u
#define RL_REQUEST_BLOCK 32u /* the longest request on the wire (a permit), without its delimiter */
#define RL_NO_GUARD 0xFFu
#define RL_ALL_CHANNELS 0xFFu

enum rl_error { /* what functions return besides 0 and lengths */
    RL_OK = 0,
    RL_E_UNKNOWN = -1,   /* a request type this version does not know */
    RL_E_MALFORMED = -2, /* a request too short, with id 0, or with values that no request may have */
    RL_E_NOT_MINE = -3,  /* a payload of a device: to be ignored */
    RL_E_SHORT = -4,     /* fewer than 6 bytes between two delimiters */
    RL_E_LONG = -5,      /* RL_MAX_FRAME bytes without a delimiter */
    RL_E_STUFFING = -6,  /* code bytes that do not end where the block ends */
    RL_E_CRC = -7,
    RL_E_SPACE = -8,     /* the buffer is too small, or the payload longer than RL_MAX_PAYLOAD */
    RL_E_SETTING = -9    /* a description that SPEC.md forbids */
};

enum rl_type {
    RL_ASK_HELLO = 0x01,
    RL_ASK_DESCRIBE,
    RL_ASK_OUTPUT,
    RL_ASK_STATUS,
    RL_START,
    RL_STOP,
    RL_RESEND_FROM,
    RL_TIME_MARK,
    RL_SET_PERIOD,
    RL_PERMIT,
    RL_HELLO = 0x81,
    RL_DESCRIBE,
    RL_OUTPUT,
    RL_STATUS,
    RL_ERROR,
    RL_ACCEPTED,
    RL_RESENDING,
    RL_TIME_MARKED,
    RL_SAMPLES = 0x90
};

enum rl_error_code { /* of the message RL_ERROR */
    RL_UNKNOWN_REQUEST = 1,
    RL_MALFORMED,
    RL_NO_SUCH_CHANNEL,
    RL_OUT_OF_RANGE,
    RL_NOT_SUPPORTED,
    RL_BUSY,
    RL_NOT_STREAMING,
    RL_HARDWARE,
    RL_STALE_PERMIT,
    RL_MUST_REARM,
    RL_VERSION
};

enum rl_quantity {
    RL_ABSOLUTE_PRESSURE = 1,
    RL_GAUGE_PRESSURE,
    RL_DIFFERENTIAL_PRESSURE,
    RL_TEMPERATURE,
    RL_MASS,
    RL_RATIO,
    RL_RELATIVE_HUMIDITY,
    RL_VOLTAGE,
    RL_CURRENT,
    RL_RESISTANCE,
    RL_POWER,
    RL_FREQUENCY,
    RL_STATE,
    RL_COUNT
};

enum rl_sample_type { RL_I16 = 2, RL_I24 = 3, RL_I32 = 4 }; /* also the width in bytes */

enum rl_sensor {
    RL_DIRECT,
    RL_RATIOMETRIC,  /* x0 y0 x1 y1, input: output over supply voltage */
    RL_VOLTS,        /* x0 y0 x1 y1, input: V */
    RL_CURRENT_LOOP, /* x0 y0 x1 y1, input: A */
    RL_NTC_BETA,     /* R0 in Ohm, T0 in K, beta in K; input: Ohm */
    RL_NTC_STEINHART_HART,
    RL_RTD,          /* R0, or R0 A B C; input: Ohm */
    RL_BRIDGE,       /* x0 y0 x1 y1, input: V/V */
    RL_LOG_VOLTS,    /* x0 y0 x1 y1, input: V */
    RL_THERMOCOUPLE  /* rl_thermocouple, or that and the channel of its terminals' temperature; input: V */
};

enum rl_thermocouple { RL_TYPE_K = 1, RL_TYPE_T, RL_TYPE_J };

/* Instead of a reading: why there is none. Given as they are for every sample type; rl_fit makes them fit. */
#define RL_OPEN_CIRCUIT (INT32_MIN)
#define RL_SHORT_CIRCUIT (INT32_MIN + 1)
#define RL_UNDER_RANGE (INT32_MIN + 2)
#define RL_OVER_RANGE (INT32_MIN + 3)
#define RL_NOT_READY (INT32_MIN + 4)
#define RL_NO_READING (INT32_MIN + 15)

enum rl_opened_by {
    RL_BY_START_UP,
    RL_BY_HOST,
    RL_BY_EXPIRY,
    RL_BY_NO_READING,
    RL_BY_LIMIT,
    RL_BY_FAULT,
    RL_BY_STOP,
    RL_BY_LAYOUT
};

enum rl_fault {
    RL_FAULT_SUPPLY_LOW = 0x01,
    RL_FAULT_CONVERTER = 0x02,
    RL_FAULT_REFERENCE = 0x04,
    RL_FAULT_MEMORY = 0x08,
    RL_FAULT_CLOCK = 0x10,
    RL_FAULT_OUTPUT = 0x20,
    RL_FAULT_OVER_TEMPERATURE = 0x40,
    RL_FAULT_WATCHDOG = 0x80 /* the last start was forced by the watchdog */
};

/* ---- codec ------------------------------------------------------------------------------------------------------- */

/* The running CRC-32: begin with 0xFFFFFFFF, add piece after piece, invert at the end. */
uint32_t rl_crc32(uint32_t crc, const uint8_t *bytes, uint8_t n);

/* Little-endian numbers in a payload. */
uint16_t rl_u16(const uint8_t *at);
uint32_t rl_u32(const uint8_t *at);

/* Writes one frame, byte after byte: the payload from bytes[1] on, stuffed in place at the end. */
typedef struct {
    uint8_t *bytes;
    uint8_t n, room; /* the payload may grow to bytes[room - 1]; room 0: it has become too long */
} rl_writer;

/* Begins a frame in `bytes`, which has room for so many. */
void rl_frame_begin(rl_writer *w, uint8_t *bytes, uint8_t room);

/* Appends one byte of the payload; the first is the message's type. */
void rl_put(rl_writer *w, uint8_t byte);

/* Appends a number of `width` bytes, little-endian, two's complement. */
void rl_put_number(rl_writer *w, uint32_t number, uint8_t width);

/* Appends CRC and delimiter. Returns the frame's bytes on the wire, or 0: it does not fit. */
uint8_t rl_frame_end(rl_writer *w);

/* CBOR items. major: 0 unsigned, 1 negative, 2 bytes, 3 text, 4 array, 5 map. */
void rl_cbor_head(rl_writer *w, uint8_t major, uint32_t argument);
void rl_cbor_int(rl_writer *w, int32_t number);
void rl_cbor_bytes(rl_writer *w, uint8_t major, const uint8_t *bytes, uint8_t n); /* major: 2 bytes, 3 text */

/* A finite number: a whole one below 2^31 as an integer, others as float, in 32 bits where that is exact. (Numbers too
 * small for a normal 32-bit float are written in 64; where `double` has 32 bits, as on an AVR, always in 32.) */
void rl_cbor_number(rl_writer *w, double number);

/* A raw number as the sample type can carry it: reasons to the type's own lowest numbers, what lies outside to "under
 * range" or "over range", never clipped. */
int32_t rl_fit(uint8_t sample_type, int32_t raw);

/* Collects the bytes between two delimiters. */
typedef struct {
    uint8_t *block;
    uint8_t size; /* of block: 2 to 241; longer blocks are skipped */
    uint8_t n;    /* bytes since the delimiter, stopping at RL_MAX_FRAME */
} rl_receiver;

void rl_receiver_init(rl_receiver *r, uint8_t *block, uint8_t size);

/* Takes one byte. Returns 0: nothing yet; above 0: that many bytes of payload at r->block + 1, until the next call;
 * below 0: RL_E_SHORT, RL_E_LONG, RL_E_STUFFING or RL_E_CRC. */
int16_t rl_receive(rl_receiver *r, uint8_t byte);

/* RL_OK for a request that SPEC.md allows, else RL_E_UNKNOWN, RL_E_MALFORMED or RL_E_NOT_MINE. n is at least 1. */
int8_t rl_check_request(const uint8_t *payload, uint8_t n);

/* ---- device ------------------------------------------------------------------------------------------------------ */

/* One channel. An array of them lies in flash: `static const rl_channel channels[] RL_FLASH = { ... };`
 * What is left 0 or "" is not stated. */
typedef struct {
    uint8_t quantity; /* rl_quantity */
    char unit[17];    /* UCUM: "kPa", "[psi]", "Cel", "kg", "um[Hg]" ... */
    uint8_t type;     /* rl_sample_type */
    int32_t exponent; /* input = (raw + offset) * 10^exponent */
    uint32_t period_ms;
    uint8_t sensor;   /* rl_sensor */
    uint8_t parameters;
    double parameter[RL_MAX_PARAMETERS];
    double range[2];              /* lowest and highest, in `unit`; both 0: not stated */
    double accuracy;              /* within plus or minus this, in `unit` */
    double accuracy_of_reading;   /* and plus or minus this share of the reading */
    char label[33];
    int32_t offset;
} rl_channel;

/* In RAM, one for each channel. */
typedef struct {
    uint32_t period_ms, due_ms;
} rl_channel_state;

/* One output, in flash. */
typedef struct {
    uint16_t longest_timeout_ms; /* 100 to 60 000 */
    uint32_t reopen_delay_ms;
    uint8_t reads_back; /* 1: the device senses the contact itself */
    char label[33];
} rl_output;

/* In RAM, one for each output. closed: as commanded. */
typedef struct {
    uint8_t closed;
    uint8_t opened_by; /* rl_opened_by */
    uint8_t guard[9];   /* as in the permit: channel, lowest and highest sample */
    uint16_t left_ms;   /* of the permit */
    uint32_t reopen_ms; /* until it may be closed again */
} rl_output_state;

/* What hello tells, in flash. */
typedef struct {
    char name[33], version[25], model[33];
} rl_firmware;

/* Frames in the ring: on an AVR at most 255, which fill its RAM. */
#ifdef __AVR__
typedef uint8_t rl_count;
#else
typedef uint16_t rl_count;
#endif

/* All 0, but for what is set before rl_start_up. (In the order in which an AVR reaches it cheapest.) */
typedef struct rl_device rl_device;
struct rl_device {
    /* The library's own; to be read only. */
    rl_writer writer;
    uint32_t now_ms, layout_id;
    uint32_t made;           /* sequence of the next samples frame to be made */
    int32_t sample;          /* the last, as it is sent */
    struct {
        uint8_t type, id, request, code; /* the reply that waits; type 0: none */
    } reply;
    uint8_t open_reply;      /* request id of a permit "open" still to be answered */
    uint8_t index;           /* channel or output being described */
    uint8_t streaming, hello_due, status_due, layout_due;
    uint8_t slot_size;
    rl_count slots, slot;    /* slot: of the next samples frame */
    rl_count held, unsent;   /* frames in the ring; those of them not yet sent for the first time */
    rl_count resend_back;    /* the next to be sent again was made so many frames ago */
    uint16_t resend_left;    /* how many are to be sent again */
    uint8_t resend_wait_ms;
    uint8_t left;            /* bytes at `out` still to be sent */
    const uint8_t *out;
    uint16_t status_ms;

    /* To be set. */
    uint8_t channel_count, output_count, frame_size;
    const rl_firmware *firmware; /* in flash, as the two below; these three in this order */
    const rl_channel *channels;
    const rl_output *outputs;
    rl_channel_state *channel_states;
    rl_output_state *output_states;
    uint8_t *frame; /* RAM for one frame to send, see RL_FRAME_BYTES */
    uint8_t *ring;  /* RAM for the newest samples frames, each in a slot as long as the longest of them */
    /* These must neither wait nor call the library. write takes as many of n bytes as it can, and returns how many: 0
     * while there is no link. read gives a channel's raw number now, or RL_OPEN_CIRCUIT ... RL_NO_READING. set_output
     * closes or opens a contact. */
    uint8_t (*write)(rl_device *d, const uint8_t *bytes, uint8_t n);
    int32_t (*read)(rl_device *d, uint8_t channel);
    void (*set_output)(rl_device *d, uint8_t output, bool closed);
    uint16_t ring_size;
    uint8_t device_id[16];
    uint8_t device_id_bytes; /* 8 to 16 */
    uint8_t resend_shift;    /* resent frames take 2^this bytes a millisecond, of a line that carries twice as much or
                                more: 2 at 115 200 baud; 8: without a limit */
    uint16_t min_period_ms;  /* shorter ones asked for become this */
    uint32_t boot_count;     /* one more at every start, kept without power; else a random number */

    /* May be changed at any time. */
    uint8_t faults;          /* rl_fault */
    uint8_t battery_percent; /* 0: not known */
    uint16_t supply_mv;      /* 0: not known */

    /* The library's own. */
    uint32_t uptime_s, dropped, bad_frames;
    uint32_t received_ms;    /* of a time mark */
    uint32_t host_time[2];   /* the lower half first */
    uint16_t tick_rate_hz;
    uint8_t capabilities;
    union {
        rl_firmware firmware;
        rl_channel channel;
        rl_output output;
    } told;                  /* what is being told of, from flash */
    rl_receiver receiver;
    uint8_t block[RL_REQUEST_BLOCK];
};

/* Bytes for `frame` that are always enough; what these descriptions need, rl_check_settings says. */
#define RL_FRAME_BYTES 243u

/* Opens all outputs, makes the layout id and says hello. Returns RL_OK, or RL_E_SPACE: the ring has no room for one
 * samples frame, or that would be longer than a frame; then the device must not be used. now_ms: any millisecond
 * counter; it may run over. */
int8_t rl_start_up(rl_device *d, uint32_t now_ms);

/* After rl_start_up: the bytes that `frame` must have for these descriptions, or RL_E_SETTING: they break SPEC.md, or
 * make a message longer than `frame` is now. For use while a firmware is written; without a call of it a program is
 * smaller. */
int16_t rl_check_settings(rl_device *d);

/* One byte from the host, at the time of the last rl_poll. */
void rl_input(rl_device *d, uint8_t byte);

/* Lets time pass, at most a minute between two calls: takes samples that are due, watches outputs, sends. */
void rl_poll(rl_device *d, uint32_t now_ms);

/* For links that tell (Bluetooth, TCP): there is one again. What was begun on the old one is forgotten; samples made
 * meanwhile, as far as they are still held, go out as live ones. */
void rl_link_up(rl_device *d);

/* A fault of the device that touches this output or its guard: opens it, to be re-armed. */
void rl_trip(rl_device *d, uint8_t output);

#ifdef __cplusplus
}
#endif
#endif
