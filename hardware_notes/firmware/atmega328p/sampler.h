/* Two channels sampled in turn by hardware: timer 1 starts every conversion, so no interrupt delays a sample. */
#ifndef SAMPLER_H
#define SAMPLER_H

#include <stdbool.h>
#include <stdint.h>

#include "frames.h"

#define CHANNELS 2u
#define PAIRS_A_FRAME 32u
#define DATA_HEADER 7u /* type, sequence number, overrun count */
#define DATA_BYTES (PAIRS_A_FRAME * CHANNELS * 3u / 2u)

#define SLOWEST_HZ 123u
#define FASTEST_HZ (BAUD / 50UL) /* 74 % of the line at 32 pairs to 107 bytes of 11 bit times */

struct batch {
    uint8_t frame[DATA_HEADER + DATA_BYTES + CRC_BYTES];
};

/* Choose the nearest rate that the clock divides to; returns the divider: pairs a second = F_CPU / divider. */
uint32_t sampler_set_rate(uint32_t pairs_a_second);

void sampler_open(void);
void sampler_start(void);
void sampler_stop(void);
bool sampler_running(void);

/* The oldest full batch, its overrun count filled in; null when there is none. Give it back when sent. */
struct batch *sampler_take(void);
void sampler_give_back(void);

#endif
