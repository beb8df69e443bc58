/* What the boards say of themselves and obey, as ../frames.md lays it down. */
#ifndef HELLO_H
#define HELLO_H

#include <stdint.h>

enum { HELLO = 0x01, DATA = 0x02 };
enum { WHAT = 0x11, RATE = 0x12, START = 0x13, STOP = 0x14, INPUTS = 0x15 };
enum { DONE = 0, REFUSED = 1 };
enum { STREAMING = 1u };

#define DATA_HEADER 7u /* type, sequence number, overrun count */
#define HELLO_HEADER 29u
#define CHANNEL_BYTES 12u

struct hello {
    uint8_t answers, status, state; /* state: STREAMING, and the number of inputs to choose from << 4 */
    uint8_t channels;
    uint16_t frame_samples;
    uint32_t highest_code, nanovolts_a_code;
    uint32_t clock_hz;          /* a whole number of megahertz */
    uint32_t conversion_clocks; /* from one conversion to the next, which is of the next channel; 1,400,000 at most */
    uint32_t highest_hz;
    const char *title;
};

/* Write the hello into `frame` and return its length; up to HELLO_HEADER + channels * CHANNEL_BYTES + title. */
uint8_t hello_build(uint8_t *frame, const struct hello *hello);

#endif
