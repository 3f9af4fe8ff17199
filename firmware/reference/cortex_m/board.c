/* A Cortex-M3 as QEMU's mps2-an385 emulates it: a smoke test that the firmware is portable. The emulated board has neither
 * a converter nor memory that keeps: its inputs are made up, and its boot count is always 1, which no real device may do. */
#include "board.h"

#include <string.h>

#define REGISTER(address) (*(volatile uint32_t *)(address))
#define UART_DATA REGISTER(0x40004000u)
#define UART_STATE REGISTER(0x40004004u)
#define UART_CONTROL REGISTER(0x40004008u)
#define UART_DIVIDER REGISTER(0x40004010u)
#define SYSTICK_CONTROL REGISTER(0xE000E010u)
#define SYSTICK_RELOAD REGISTER(0xE000E014u)
#define CLOCK_HZ 25000000u

enum { UART_FULL = 1, UART_RECEIVED = 2, UART_ON = 3, SYSTICK_ON = 7 };

extern uint32_t data_start, data_end, data_from, bss_start, bss_end, stack_top;
int main(void);

static volatile uint32_t milliseconds;
static bool relay;

void *memcpy(void *to, const void *from, size_t n)
{
    uint8_t *at = to;
    const uint8_t *source = from;
    while (n-- > 0)
        *at++ = *source++;
    return to;
}

void *memset(void *to, int byte, size_t n)
{
    uint8_t *at = to;
    while (n-- > 0)
        *at++ = (uint8_t)byte;
    return to;
}

void start(void)
{
    memcpy(&data_start, &data_from, (size_t)((uint8_t *)&data_end - (uint8_t *)&data_start));
    memset(&bss_start, 0, (size_t)((uint8_t *)&bss_end - (uint8_t *)&bss_start));
    main();
}

static void stop(void)
{
    for (;;)
        continue;
}

static void tick(void)
{
    milliseconds++;
}

typedef void (*vector)(void);
static const vector vectors[16] __attribute__((section(".vectors"), used)) = {
    (vector)(uintptr_t)&stack_top, start, stop, stop, stop, stop, stop, 0, 0, 0, 0, stop, stop, 0, stop, tick,
};

void board_init(void)
{
    relay = false;
    UART_DIVIDER = CLOCK_HZ / 115200u;
    UART_CONTROL = UART_ON;
    SYSTICK_RELOAD = CLOCK_HZ / 1000u - 1u;
    SYSTICK_CONTROL = SYSTICK_ON;
}

uint32_t board_ms(void)
{
    return milliseconds;
}

int16_t board_getc(void)
{
    return UART_STATE & UART_RECEIVED ? (int16_t)(UART_DATA & 0xFFu) : (int16_t)-1;
}

uint8_t board_write(const uint8_t *bytes, uint8_t n)
{
    uint8_t taken = 0;
    while (taken < n && !(UART_STATE & UART_FULL))
        UART_DATA = bytes[taken++];
    return taken;
}

/* Half of the supply, and a little more each second. */
uint16_t board_input(uint8_t input)
{
    return (uint16_t)(0x8000u + 16u * input + (milliseconds >> 10 & 0xFFFu));
}

uint8_t board_rounds(void)
{
    return (uint8_t)(milliseconds >> 5);
}

uint16_t board_supply_mv(void)
{
    return 5000;
}

void board_relay(bool closed)
{
    relay = closed;
}

bool board_was_hung(void)
{
    return false;
}

uint32_t board_boot_count(void)
{
    return 1;
}

void board_id(uint8_t *id)
{
    memcpy(id, "emulated", 8);
}

void board_kick(void)
{
}

void board_idle(void)
{
    __asm volatile("wfi");
}
