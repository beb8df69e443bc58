/* Two channels sampled in turn by hardware: timer 1 starts every conversion, so no interrupt delays a sample. A program
 * that is late for one loses conversions; the timer's periods are counted, so they are too. */
#ifndef SAMPLER_H
#define SAMPLER_H

#include <stdbool.h>
#include <stdint.h>

#include "frames.h"
#include "hello.h"

#define CHANNELS 2u
#define PAIRS_A_FRAME 32u
#define DATA_BYTES (PAIRS_A_FRAME * CHANNELS * 3u / 2u)

#define SLOWEST_HZ 123u
#define FASTEST_HZ (BAUD / 50UL) /* 74 % of the line at 32 pairs to 107 bytes of 11 bit times */

/* Interrupts, packing, checksum and coding of a pair keep the chip busy for LEAST_CLOCKS_A_PAIR, measured in emulation. */
#define LEAST_CLOCKS_A_PAIR 800UL
#if F_CPU / FASTEST_HZ < LEAST_CLOCKS_A_PAIR
#error "the chip cannot sample as fast as this line carries: at 16 MHz, BAUD is 1000000 at most"
#endif

struct batch {
    uint16_t gap; /* pairs thrown away before it */
    uint8_t frame[DATA_HEADER + DATA_BYTES + CRC_BYTES];
};

/* Choose the nearest rate that the clock divides to; returns clocks a conversion: pairs a second = F_CPU / 2 / that. */
uint32_t sampler_set_rate(uint32_t pairs_a_second);

void sampler_open(void);
void sampler_start(void);
void sampler_stop(void);
bool sampler_running(void);

bool sampler_has_batch(void);

/* The oldest full batch, its overrun count filled in; null when there is none. Give it back when sent. */
struct batch *sampler_take(void);
void sampler_give_back(void);

#endif
