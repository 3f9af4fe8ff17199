/* The codec on the chip itself, where int has 16 bits and double 32: a test writes `input`, sets `act`, and reads `output`. */
#include "rimelog.h"

enum { IDLE, FIT, FRAME, RECEIVE, CHECK, NUMBER, INTEGER, CRC };

volatile uint8_t act;
volatile int16_t result;
uint8_t type, input[256], output[256];
uint16_t length;

int main(void)
{
    static uint8_t block[241];
    rl_receiver r;
    rl_writer w;
    uint16_t i;
    uint8_t k;
    uint32_t number;
    double real;
    for (;;) {
        while (act == IDLE)
            continue;
        result = 0;
        number = rl_u32(input);
        rl_frame_begin(&w, output, RL_MAX_FRAME);
        switch (act) {
        case FIT:
            number = (uint32_t)rl_fit(type, (int32_t)number);
            for (k = 0; k < 4; k++)
                output[k] = (uint8_t)(number >> 8 * k);
            break;
        case FRAME:
            for (i = 0; i < length; i++)
                rl_put(&w, input[i]);
            result = rl_frame_end(&w);
            break;
        case RECEIVE:
            rl_receiver_init(&r, block, sizeof block);
            for (i = 0; i < length && result == 0; i++)
                result = rl_receive(&r, input[i]);
            for (i = 0; result > 0 && i < (uint16_t)result; i++)
                output[i] = block[1 + i];
            break;
        case CHECK:
            result = rl_check_request(input, (uint8_t)length);
            break;
        case NUMBER:
            __builtin_memcpy(&real, input, sizeof real);
            rl_cbor_number(&w, real);
            result = rl_frame_end(&w);
            break;
        case INTEGER:
            rl_cbor_int(&w, (int32_t)number);
            result = rl_frame_end(&w);
            break;
        default:
            number = rl_crc32(0xFFFFFFFFu, input, (uint8_t)length);
            for (k = 0; k < 4; k++)
                output[k] = (uint8_t)(~number >> 8 * k);
            break;
        }
        act = IDLE;
    }
}
