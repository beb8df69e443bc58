/* One to four inputs, sampled in turn by hardware into a ring that hardware fills: no program delays a sample. How many
 * conversions there have been is told by the microsecond timer, so what the ring could not keep is counted to the sample
 * however long the program was held up. */
#ifndef SAMPLER_H
#define SAMPLER_H

#include <stdbool.h>
#include <stdint.h>

#define INPUTS_THERE 4u

#define MOST_VALUES 162u /* a frame holds 160 codes, with three channels 162: at most 254 bytes, checksum included */
#define DATA_BYTES_MOST (MOST_VALUES * 3u / 2u)

/* Choose inputs: bit 0 is the first. False, and nothing changed, when none or one that is not there is chosen. */
bool sampler_set_inputs(uint8_t inputs);
uint8_t sampler_channels(void);

/* Samples of each channel in a frame. */
uint16_t sampler_frame_samples(void);

/* Choose the nearest rate of each channel that the clock divides to. */
void sampler_set_rate(uint32_t hz);
uint32_t sampler_conversion_clocks(void);
uint32_t sampler_highest_hz(void);

void sampler_open(void);
void sampler_start(void);
void sampler_stop(void);
bool sampler_running(void);

/* Whether the converter's own buffer ran over, so that channels may have changed places. Then it was stopped. */
bool sampler_failed(void);

/* Put the next frame's samples, packed, into `data` and return true; false when it is not complete yet.
 * `overrun`: samples of each channel thrown away since the start. */
bool sampler_take(uint8_t *data, uint32_t *overrun);

/* Microseconds until the next frame is complete; 0 while nothing is sampled. */
uint32_t sampler_next_us(void);

#endif
