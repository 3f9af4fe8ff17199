/* One of each kind that docs/build.md shows, at the inputs 0 to 5 and a load cell's converter of its own. The circuits are
 * written down once more in tests/circuits.py, from which that page and its tables are made. */
enum { TRANSDUCER, CLAMP, PLATINUM, LOOP, AMPLIFIER, VACUUM, CHANNELS = BRIDGE + 1 }; /* BRIDGE: by the Makefile */

#define CLAMP_OHM 10000u   /* from the supply to the thermistor */
#define PLATINUM_OHM 4700u /* from the supply to the PT1000 */
#define LOOP_OHM 200u      /* carries the loop's current to ground */

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

/* The share of the supply, times 65536, in mV. */
static uint32_t mv_of(uint32_t share)
{
    return (share >> 4) * board_supply_mv() / 4096u;
}

/* A resistance to ground below a fixed one, in units of 1 Ohm / `per_ohm`. */
static int32_t divider_of(uint32_t share, uint32_t fixed_ohm, uint32_t per_ohm)
{
    if (share > 65536u / 100 * 99)
        return RL_OPEN_CIRCUIT;
    if (share < 65536u / 100)
        return RL_SHORT_CIRCUIT;
    return (int32_t)(fixed_ohm * share / (65536u - share) * per_ohm
                     + fixed_ohm * share % (65536u - share) * per_ohm / (65536u - share));
}

static int32_t raw_of(uint8_t channel, uint32_t share)
{
    uint32_t raw;
    switch (channel) {
    case TRANSDUCER:
        if (share < 65536u / 40) /* a quarter of the live zero */
            return RL_OPEN_CIRCUIT;
        if (share > 65536u / 40 * 39)
            return RL_SHORT_CIRCUIT;
        return (int32_t)(share * 3125 >> 11); /* 100 000 / 65 536 */
    case CLAMP:
        return divider_of(share, CLAMP_OHM, 1);
    case PLATINUM:
        return divider_of(share, PLATINUM_OHM, 10);
    case LOOP:
        raw = mv_of(share) * 10000u / LOOP_OHM;
        return raw < 10000u ? RL_OPEN_CIRCUIT : (int32_t)raw;
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
