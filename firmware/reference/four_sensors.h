/* A transducer, a thermistor, an amplified load cell and a current loop, at the inputs 0 to 3. */
#include "circuits.h"

#define FIXED_OHM 10000u /* from the supply to the thermistor, which goes to ground */

enum { PRESSURE, TEMPERATURE, MASS, LOOP, CHANNELS };

static const rl_channel channels[CHANNELS] RL_FLASH = {
    /* 0.5 to 4.5 V of a 5 V supply, sent as its share of the supply in 10^-5 */
    {RL_GAUGE_PRESSURE, "kPa", RL_I24, -5, 100, RL_RATIOMETRIC, 4, {0.1, 0, 0.9, 3500}, {0, 3500}, 17.5, 0, "Pressure", 0},
    /* 10 kOhm at 25 Cel, sent in Ohm */
    {RL_TEMPERATURE, "Cel", RL_I24, 0, 500, RL_NTC_BETA, 3, {10000, 298.15, 3950, 0}, {-40, 110}, 0.5, 0, "Temperature", 0},
    /* an amplified load cell: 0 V to the supply for 0 to 150 kg, sent in g */
    {RL_MASS, "kg", RL_I24, -3, 200, RL_DIRECT, 0, {0, 0, 0, 0}, {0, 150}, 0.1, 0, "Scale", 0},
    /* 4 to 20 mA through 200 Ohm, sent in 10^-7 A */
    {RL_RATIO, "%", RL_I24, -7, 1000, RL_CURRENT_LOOP, 4, {0.004, 0, 0.020, 100}, {0, 100}, 1, 0, "Valve position", 0},
};
static const rl_output outputs[1] RL_FLASH = {{10000, 3000, 0, "Relay"}};

static int32_t raw_of(uint8_t channel, uint32_t share)
{
    switch (channel) {
    case PRESSURE:
        return ratiometric_of(share);
    case TEMPERATURE:
        return divider_of(share, FIXED_OHM, 1);
    case MASS:
        if (share >= 65472u) /* all that the converter can say */
            return RL_OVER_RANGE;
        return (int32_t)(share * 9375 >> 12); /* 150 000 / 65 536 */
    default:
        return loop_of(share);
    }
}
