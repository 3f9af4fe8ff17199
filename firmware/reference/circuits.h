/* From what the converter shows to the raw number of a channel, one function a circuit of docs/build.md. `share`: of the
 * supply at the input, times 65536, as board_input gives it. All products fit 32 bits. The circuits are written down once
 * more in tests/circuits.py, from which that page and its tables are made. */
#ifndef CIRCUITS_H
#define CIRCUITS_H

#define PER_CENT(n) (65536u / 100 * (n)) /* of the supply */
#define LOOP_OHM 200u                    /* carries the current of a 4-20 mA loop to ground */

/* In mV. */
static inline uint32_t mv_of(uint32_t share)
{
    return (share >> 4) * board_supply_mv() / 4096u;
}

/* A transducer of 0.5 to 4.5 V of a supply of 5 V, in 10^-5 of the supply. */
static inline int32_t ratiometric_of(uint32_t share)
{
    if (share < 65536u / 40) /* a quarter of the live zero */
        return RL_OPEN_CIRCUIT;
    if (share > 65536u / 40 * 39)
        return RL_SHORT_CIRCUIT;
    return (int32_t)(share * 3125 >> 11); /* 100 000 / 65 536 */
}

/* A resistance to ground below a fixed one to the supply, in units of 1 Ohm / `per_ohm`. */
static inline int32_t divider_of(uint32_t share, uint32_t fixed_ohm, uint32_t per_ohm)
{
    if (share > PER_CENT(99))
        return RL_OPEN_CIRCUIT;
    if (share < PER_CENT(1))
        return RL_SHORT_CIRCUIT;
    return (int32_t)(fixed_ohm * share / (65536u - share) * per_ohm
                     + fixed_ohm * share % (65536u - share) * per_ohm / (65536u - share));
}

/* A current loop through LOOP_OHM, in 10^-7 A; below 1 mA it is broken. */
static inline int32_t loop_of(uint32_t share)
{
    uint32_t raw = mv_of(share) * (10000u / LOOP_OHM);
    return raw < 10000u ? RL_OPEN_CIRCUIT : (int32_t)raw;
}

#endif
