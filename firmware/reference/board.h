/* What the firmware needs from a chip. A port to another one is a file like board_avr.c. */
#ifndef BOARD_H
#define BOARD_H

#include <stdbool.h>
#include <stdint.h>

#ifndef BOARD_INPUTS
#define BOARD_INPUTS 4
#endif
#define BOARD_NOT_READY 0xFFFFu

/* Opens the relay first of all, then starts the clock, the line, the converter and the watchdog. */
void board_init(void);

/* Milliseconds since some time; run over after 49.7 days. */
uint32_t board_ms(void);

/* The next byte received, or -1. */
int16_t board_getc(void);

/* Takes as many of n bytes as there is room for, without waiting. */
uint8_t board_write(const uint8_t *bytes, uint8_t n);

/* An input as a share of the supply, 0 to 65535 for 0 to 1, the newest; BOARD_NOT_READY before the first. */
uint16_t board_input(uint8_t input);

/* Counts of the load cell's converter of 24 bits, the newest; INT32_MIN while it has none for a second. Waits 100 us. */
int32_t board_bridge(void);

/* Counts rounds of the converter through its inputs: one that stands still is broken. */
uint8_t board_rounds(void);

/* The supply in mV, 0 while not known. */
uint16_t board_supply_mv(void);

void board_relay(bool closed);

/* The last start was forced by the watchdog. */
bool board_was_hung(void);

/* One more at every start, kept without power. */
uint32_t board_boot_count(void);

/* Eight bytes that no other board has. */
void board_id(uint8_t *id);

/* Tells the watchdog that the main loop goes round. */
void board_kick(void);

/* Sleeps until the millisecond is over or a byte has come. */
void board_idle(void);

#endif
