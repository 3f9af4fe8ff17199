/* One of each kind that docs/build.md shows, at the inputs 0 to 5 and a load cell's converter of its own. */
#include "circuits.h"

enum { TRANSDUCER, CLAMP, PLATINUM, LOOP, AMPLIFIER, VACUUM, CHANNELS = BRIDGE + 1 }; /* BRIDGE: by the Makefile */

#define CLAMP_OHM 10000u   /* from the supply to the thermistor */
#define PLATINUM_OHM 4700u /* from the supply to the PT1000 */

static const rl_channel channels[CHANNELS] RL_FLASH = {
    /* as a share of the supply in 10^-5 */
    {RL_GAUGE_PRESSURE, "[psi]", RL_I24, -5, 100, RL_RATIOMETRIC, 4, {0.1, 0, 0.9, 500}, {0, 500}, 5, 0, "Transducer", 0},
    /* in Ohm */
    {RL_TEMPERATURE, "Cel", RL_I24, 0, 500, RL_NTC_BETA, 3, {10000, 298.15, 3950, 0}, {-40, 110}, 0.5, 0, "Clamp", 0},
    /* in 10^-1 Ohm */
    {RL_TEMPERATURE, "Cel", RL_I24, -1, 500, RL_RTD, 1, {1000, 0, 0, 0}, {-50, 200}, 0.8, 0, "PT1000", 0},
    /* in 10^-7 A */
    {RL_GAUGE_PRESSURE, "bar", RL_I24, -7, 100, RL_CURRENT_LOOP, 4, {0.004, 0, 0.020, 40}, {0, 40}, 0.4, 0, "Loop", 0},
    /* in mV */
    {RL_TEMPERATURE, "Cel", RL_I24, -3, 500, RL_VOLTS, 4, {1.25, 0, 2.25, 200}, {-50, 250}, 3, 0, "Thermocouple", 0},
    /* in mV of the gauge, of which half is at the input */
    {RL_ABSOLUTE_PRESSURE, "um[Hg]", RL_I24, -3, 200, RL_LOG_VOLTS, 4, {1, 1, 7, 1000000}, {1, 760000}, 0, 0.1, "Vacuum", 0},
    /* in 10^-9 V/V: 2 mV/V at 150 kg */
    {RL_MASS, "kg", RL_I24, -9, 200, RL_BRIDGE, 4, {0, 0, 0.002, 150}, {0, 150}, 0.05, 0, "Load cell", 0},
};
static const rl_output outputs[1] RL_FLASH = {{10000, 3000, 0, "Relay"}};

static int32_t raw_of(uint8_t channel, uint32_t share)
{
    uint32_t raw;
    switch (channel) {
    case TRANSDUCER:
        return ratiometric_of(share);
    case CLAMP:
        return divider_of(share, CLAMP_OHM, 1);
    case PLATINUM:
        return divider_of(share, PLATINUM_OHM, 10);
    case LOOP:
        return loop_of(share);
    case AMPLIFIER:
        raw = mv_of(share);
        return raw < 100u || raw > 4500u ? RL_OPEN_CIRCUIT : (int32_t)raw; /* its output, or the thermocouple */
    default: /* a gauge without supply gives nothing */
        raw = mv_of(share) * 2u;
        return raw < 200u ? RL_OPEN_CIRCUIT : (int32_t)raw;
    }
}

/* Gain 128, 24 bits, the excitation as reference: one count is 1/(128 * 2^23) V/V, which is 0.93132 * 10^-9. */
static int32_t raw_of_bridge(int32_t counts)
{
    if (counts == INT32_MIN)
        return RL_OPEN_CIRCUIT;
    if (counts >= 0x7FFFFF || counts <= -0x800000)
        return counts > 0 ? RL_OVER_RANGE : RL_UNDER_RANGE;
    return counts - counts / 16 - counts / 162;
}
