/* Runs an AVR program under libsimavr (GPL-3: for tests only, in a process of its own), step by step as told on the
 * standard input, one command a line; each is answered by one line.
 *
 *   run MS        lets so much time pass; answers with all bytes sent meanwhile in hex (- for none), then the state of PB0
 *   rx HEX        bytes for the UART, which get in as fast as 115 200 baud lets them while time passes
 *   adc CH MV     voltage of an input; channel 30 is the bandgap
 *   bridge COUNTS what a load cell's converter of 24 bits has, clocked at PD2, read at PD3; before, there is none
 *   supply MV     of the chip, and the converter's reference
 *   reset KIND    power (RAM forgotten) or brownout (RAM scrambled); the EEPROM stays
 *   hang          the main loop stands still; interrupts go on
 *   poke ADDR HEX, peek ADDR N    data memory
 *   stack         bytes of stack used at most since the start, by the paint that is left above ADDR: stack ADDR
 */
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <simavr/avr_adc.h>
#include <simavr/avr_extint.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>

#define PAINT 0xC5
#define HZ 16000000u
#define BYTES_PER_MS 11 /* 115 200 baud */
#define MCUSR 0x54
#define EXTERNAL 2
#define BROWN_OUT 4
#define POWER_ON 1

static avr_t *avr;
static avr_irq_t *uart_in;
static bool full, relay;
static uint8_t sent[1 << 20], given[1 << 16];
static size_t sent_n, given_n, given_at;
static uint16_t hung_code;
static avr_flashaddr_t hung_at;
static bool hung;

static void on_byte(struct avr_irq_t *irq, uint32_t value, void *unused)
{
    (void)irq;
    (void)unused;
    if (sent_n < sizeof sent)
        sent[sent_n++] = (uint8_t)value;
}

static void on_room(struct avr_irq_t *irq, uint32_t value, void *is_full)
{
    (void)irq;
    (void)value;
    full = is_full != NULL;
}

static void on_pin(struct avr_irq_t *irq, uint32_t value, void *unused)
{
    (void)irq;
    (void)unused;
    relay = value & 1;
}

static avr_irq_t *bridge_data;
static int32_t bridge_counts;
static int bridge_bit = -1; /* being shown; -1: a conversion is over */
static bool bridged;

static void on_clock(struct avr_irq_t *irq, uint32_t value, void *unused)
{
    (void)irq;
    (void)unused;
    if (!bridged || !(value & 1))
        return;
    bridge_bit++;
    avr_raise_irq(bridge_data, bridge_bit < 24 ? (uint32_t)bridge_counts >> (23 - bridge_bit) & 1u : 1u);
    if (bridge_bit == 24) { /* the next conversion is over by the time it is asked for */
        bridge_bit = -1;
        avr_raise_irq(bridge_data, 0);
    }
}

static void no_sleep(avr_t *a, avr_cycle_count_t cycles)
{
    (void)a;
    (void)cycles;
}

static void no_log(avr_t *a, const int level, const char *format, va_list list)
{
    (void)a;
    if (level <= LOG_ERROR)
        vfprintf(stderr, format, list);
}

static void set_input(unsigned channel, unsigned mv)
{
    int irq = channel == 30 ? ADC_IRQ_ADC0 + 30 : ADC_IRQ_ADC0 + (int)channel;
    if (channel < 8)
        avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, irq), mv);
}

static void connect(void)
{
    uint32_t flags = 0;
    avr_ioctl(avr, AVR_IOCTL_UART_GET_FLAGS('0'), &flags);
    flags &= ~(uint32_t)(AVR_UART_FLAG_STDIO | AVR_UART_FLAG_POLL_SLEEP);
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), on_byte, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUT_XON), on_room, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUT_XOFF), on_room, avr);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), 0), on_pin, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), 2), on_clock, NULL);
    bridge_data = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), 3);
    uart_in = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
}

static void unhang(void)
{
    if (hung)
        memcpy(avr->flash + hung_at, &hung_code, 2);
    hung = false;
}

/* "Jump to yourself" at the place where the main loop sleeps. */
static void hang(void)
{
    uint16_t jump = 0xCFFF;
    while (avr->state != cpu_Sleeping)
        avr_run(avr);
    hung_at = avr->pc;
    memcpy(&hung_code, avr->flash + hung_at, 2);
    memcpy(avr->flash + hung_at, &jump, 2);
    hung = true;
}

static bool run(unsigned ms)
{
    for (; ms > 0; ms--) {
        avr_cycle_count_t until = avr->cycle + HZ / 1000;
        int k;
        for (k = 0; k < BYTES_PER_MS && given_at < given_n && !full; k++)
            avr_raise_irq(uart_in, given[given_at++]);
        while (avr->cycle < until) {
            int state = avr_run(avr);
            if (state == cpu_Done || state == cpu_Crashed)
                return false;
            if (hung && avr->pc == avr->reset_pc)
                unhang();
        }
    }
    return true;
}

static void reset(const char *kind)
{
    uint32_t at;
    bool brown = strcmp(kind, "brownout") == 0;
    unhang();
    avr_reset(avr);
    /* PD2 and PD3 interrupt nothing here; while one is low, the emulator would look at it in each cycle. */
    avr_extint_set_strict_lvl_trig(avr, EXTINT_IRQ_OUT_INT0, 0);
    avr_extint_set_strict_lvl_trig(avr, EXTINT_IRQ_OUT_INT1, 0);
    for (at = avr->ioend + 1u; at <= avr->ramend; at++)
        avr->data[at] = brown ? (uint8_t)(avr->data[at] ^ (at * 37u)) : (uint8_t)(at * 167u >> 3);
    avr->data[MCUSR] = brown ? BROWN_OUT : POWER_ON;
    given_n = given_at = 0;
    full = relay = false;
    bridge_bit = -1;
    avr_raise_irq(bridge_data, bridged ? 0 : 1);
}

static size_t unhex(const char *text, uint8_t *out, size_t room)
{
    size_t n = 0;
    unsigned byte;
    for (; n < room && sscanf(text, "%2x", &byte) == 1; text += 2)
        out[n++] = (uint8_t)byte;
    return n;
}

static void print_hex(const uint8_t *bytes, size_t n)
{
    size_t i;
    for (i = 0; i < n; i++)
        printf("%02x", bytes[i]);
    if (n == 0)
        printf("-");
}

int main(int count, char **words)
{
    static char line[1 << 17], text[1 << 17];
    elf_firmware_t firmware;
    unsigned a, b;
    if (count != 3)
        return 2;
    memset(&firmware, 0, sizeof firmware);
    avr_global_logger_set(no_log);
    if (elf_read_firmware(words[2], &firmware) || (avr = avr_make_mcu_by_name(words[1])) == NULL)
        return 1;
    avr_init(avr);
    avr_load_firmware(avr, &firmware);
    avr->frequency = HZ;
    avr->vcc = avr->avcc = avr->aref = 5000;
    avr->sleep = no_sleep;
    avr->log = LOG_ERROR;
    connect();
    reset("power");
    while (fgets(line, sizeof line, stdin)) {
        bool alive = true;
        if (sscanf(line, "run %u", &a) == 1) {
            alive = run(a);
            print_hex(sent, sent_n);
            printf(" %d\n", relay);
            sent_n = 0;
        } else if (sscanf(line, "rx %131000s", text) == 1) {
            memmove(given, given + given_at, given_n - given_at);
            given_n -= given_at;
            given_at = 0;
            given_n += unhex(text, given + given_n, sizeof given - given_n);
            printf("ok\n");
        } else if (sscanf(line, "adc %u %u", &a, &b) == 2) {
            set_input(a, b);
            printf("ok\n");
        } else if (sscanf(line, "bridge %d", &bridge_counts) == 1) {
            bridged = true;
            avr_raise_irq(bridge_data, 0);
            printf("ok\n");
        } else if (sscanf(line, "supply %u", &a) == 1) {
            avr->vcc = avr->avcc = avr->aref = a;
            printf("ok\n");
        } else if (sscanf(line, "reset %20s", text) == 1) {
            reset(text);
            printf("ok\n");
        } else if (strncmp(line, "hang", 4) == 0) {
            hang();
            printf("ok\n");
        } else if (sscanf(line, "poke %x %131000s", &a, text) == 2) {
            unhex(text, avr->data + a, avr->ramend + 1u - a);
            printf("ok\n");
        } else if (sscanf(line, "peek %x %u", &a, &b) == 2 && a + b <= avr->ramend + 1u) {
            print_hex(avr->data + a, b);
            printf("\n");
        } else if (sscanf(line, "stack %x", &a) == 1) {
            while (a <= avr->ramend && avr->data[a] == PAINT)
                a++;
            printf("%u\n", avr->ramend + 1u - a);
        } else {
            printf("what? %s", line);
        }
        fflush(stdout);
        if (!alive)
            return 3;
    }
    return 0;
}
