/* ATmega328P and ATmega2560 at 16 MHz and 5 V: ADC0 to ADC3 or more, USART0 at 115 200, relay at PB0 (active high, with a resistor
 * to ground that keeps it open in reset), watchdog. Brown-out detection at 4.3 V is a fuse. */
#include "board.h"

#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <string.h>
#include <util/atomic.h>

#ifdef USART0_RX_vect
#define RX_VECTOR USART0_RX_vect
#define READY_VECTOR USART0_UDRE_vect
#else
#define RX_VECTOR USART_RX_vect
#define READY_VECTOR USART_UDRE_vect
#endif

#ifndef FIRST_MS
#define FIRST_MS 0 /* a build for tests begins shortly before the milliseconds run over */
#endif

#define SIZE 64u          /* of each byte queue: a power of two */
#define TIMES 64u         /* conversions that are added to one number of 16 bits */
#define BANDGAP BOARD_INPUTS /* the input after the others: 1.1 V against the supply */
#define BANDGAP_MV 1100ul
#define PAINT 0xC5        /* bytes of the stack that were never used keep it */

static volatile uint32_t milliseconds = FIRST_MS;
static volatile uint8_t received[SIZE], received_in, received_out, waiting[SIZE], waiting_in, waiting_out;
static volatile uint16_t sums[BOARD_INPUTS + 1];
static volatile uint8_t rounds;
static bool hung;

static uint32_t noise[2] __attribute__((section(".noinit"))); /* of what RAM held when the supply came */

static void __attribute__((noinline)) stir_ram(void)
{
    const uint8_t *at;
    noise[0] = noise[1] = 5381;
    for (at = (const uint8_t *)RAMSTART; at < (const uint8_t *)SP; at++) {
        noise[0] = noise[0] * 33 ^ *at;
        noise[1] = noise[1] * 65599 + *at;
    }
}

/* Before anything else: why the chip started, and the watchdog off, which a reset by itself leaves on at 16 ms. All RAM
 * above the variables is painted, so that the deepest use of the stack can be seen. */
static void __attribute__((noinline)) paint(void)
{
    extern uint8_t _end;
    uint8_t *at = &_end;
    while (at < (uint8_t *)SP)
        *at++ = PAINT;
}

void early(void) __attribute__((naked, used, section(".init3")));
void early(void)
{
    GPIOR0 = MCUSR;
    MCUSR = 0;
    wdt_disable();
    stir_ram();
    paint();
}

ISR(TIMER1_COMPA_vect)
{
    milliseconds++;
}

ISR(RX_VECTOR)
{
    uint8_t byte = UDR0, next = (received_in + 1u) & (SIZE - 1);
    if (next != received_out) {
        received[received_in] = byte;
        received_in = next;
    }
}

ISR(READY_VECTOR)
{
    if (waiting_in == waiting_out) {
        UCSR0B &= (uint8_t)~_BV(UDRIE0);
        return;
    }
    UDR0 = waiting[waiting_out];
    waiting_out = (waiting_out + 1u) & (SIZE - 1);
}

static void select_input(uint8_t input)
{
    ADMUX = _BV(REFS0) | (input == BANDGAP ? 0x1E : input); /* against the supply */
    ADCSRA |= _BV(ADSC);
}

/* One input after the other, each TIMES and once more: what was converted first after a change of the input still holds
 * the last one's charge. */
ISR(ADC_vect)
{
    static uint16_t sum;
    static uint8_t input, times;
    uint16_t counts = ADC;
    if (times > 0)
        sum += counts;
    if (times++ == TIMES) {
        sums[input] = sum;
        sum = times = 0;
        if (++input > BANDGAP) {
            input = 0;
            rounds++;
        }
    }
    select_input(input);
}

void board_init(void)
{
    uint8_t i;
    PORTB &= (uint8_t)~_BV(PORTB0);
    DDRB |= _BV(DDB0);
    wdt_enable(WDTO_120MS);
    hung = GPIOR0 & _BV(WDRF);
    for (i = 0; i <= BANDGAP; i++)
        sums[i] = BOARD_NOT_READY;
    UCSR0A = _BV(U2X0);
    UBRR0 = 16; /* 115 200 + 2.1 % */
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
    OCR1A = F_CPU / 64 / 1000 - 1;
    TCCR1B = _BV(WGM12) | _BV(CS11) | _BV(CS10);
    TIMSK1 = _BV(OCIE1A);
    ADCSRA = _BV(ADEN) | _BV(ADIE) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0); /* 125 kHz: 104 us each */
    select_input(0);
    SMCR = 0; /* idle */
    sei();
}

uint32_t board_ms(void)
{
    uint32_t now;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) now = milliseconds;
    return now;
}

int16_t board_getc(void)
{
    uint8_t byte;
    if (received_in == received_out)
        return -1;
    byte = received[received_out];
    received_out = (received_out + 1u) & (SIZE - 1);
    return byte;
}

uint8_t board_write(const uint8_t *bytes, uint8_t n)
{
    uint8_t taken = 0;
    for (; taken < n; taken++) {
        uint8_t next = (waiting_in + 1u) & (SIZE - 1);
        if (next == waiting_out)
            break;
        waiting[waiting_in] = bytes[taken];
        waiting_in = next;
    }
    if (taken > 0)
        ATOMIC_BLOCK(ATOMIC_RESTORESTATE) UCSR0B |= _BV(UDRIE0);
    return taken;
}

uint16_t board_input(uint8_t input)
{
    uint16_t sum;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) sum = sums[input];
    return sum;
}

#ifdef BRIDGE
/* The converter of a load cell: PD2 is its clock, PD3 its data, low when a conversion is over; a resistor to the supply holds
 * it high where no converter is. 24 bits, highest first, and one pulse more: gain 128 next time. A clock that stays high
 * for 60 us would put it to sleep, so nothing may come between. */
#define CONVERSION_MS 1000u

int32_t board_bridge(void)
{
    static int32_t newest = INT32_MIN;
    static uint32_t newest_ms;
    uint32_t now_ms = board_ms(), bits = 0;
    uint8_t i;
    DDRD |= _BV(DDD2);
    if (PIND & _BV(PIND3)) {
        if (now_ms - newest_ms > CONVERSION_MS)
            newest = INT32_MIN;
        return newest;
    }
    for (i = 0; i < 25; i++) {
        ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
        {
            PORTD |= _BV(PORTD2);
            if (i < 24)
                bits = bits << 1 | (PIND >> PIND3 & 1u);
            PORTD &= (uint8_t)~_BV(PORTD2);
        }
    }
    newest_ms = now_ms;
    newest = (int32_t)(bits ^ 0x800000u) - 0x800000;
    return newest;
}
#endif

uint8_t board_rounds(void)
{
    return rounds;
}

uint16_t board_supply_mv(void)
{
    uint16_t sum = board_input(BANDGAP);
    return sum == BOARD_NOT_READY || sum < 1024u ? 0 : (uint16_t)(BANDGAP_MV * 65536ul / sum);
}

void board_relay(bool closed)
{
    if (closed)
        PORTB |= _BV(PORTB0);
    else
        PORTB &= (uint8_t)~_BV(PORTB0);
}

bool board_was_hung(void)
{
    return hung;
}

/* Two places, written in turn, each with its own check: power may fail while one is written. */
typedef struct {
    uint32_t count, inverted;
} place;
static place EEMEM unused, places[2]; /* the first bytes of an EEPROM suffer most when the supply goes slowly */
static uint8_t EEMEM own_id[8] = {0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}; /* as an erased chip has it */

uint32_t board_boot_count(void)
{
    place found[2], next;
    bool good[2];
    uint8_t i, newest;
    for (i = 0; i < 2; i++) {
        eeprom_read_block(&found[i], &places[i], sizeof found[i]);
        good[i] = found[i].count == ~found[i].inverted;
    }
    newest = good[1] && (!good[0] || found[1].count - found[0].count < 0x80000000u);
    next.count = good[newest] ? found[newest].count + 1 : 1;
    next.inverted = ~next.count;
    eeprom_update_block(&next, &places[!newest], sizeof next);
    return next.count;
}

/* What RAM holds at the first start differs from chip to chip; kept for ever after. A maker may write the eight bytes. */
void board_id(uint8_t *id)
{
    uint8_t i, all = 0xFF, any = 0;
    (void)unused;
    eeprom_read_block(id, own_id, sizeof own_id);
    for (i = 0; i < sizeof own_id; i++) {
        all &= id[i];
        any |= id[i];
    }
    if (all != 0xFF && any != 0) /* neither erased nor filled with zeros by whoever wrote the chip */
        return;
    memcpy(id, noise, sizeof own_id);
    eeprom_update_block(id, own_id, sizeof own_id);
}

void board_kick(void)
{
    wdt_reset();
}

void board_idle(void)
{
    uint8_t now = (uint8_t)milliseconds;
    while ((uint8_t)milliseconds == now && received_in == received_out) { /* the converter wakes it up far more often */
        SMCR = _BV(SE);
        sleep_cpu();
        SMCR = 0;
    }
}
